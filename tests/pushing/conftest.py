from __future__ import annotations

import itertools

import pytest
from pushing_examples import Clock, Service

from service.pushing.sender import Sender
from service.pushing.spool import Spool


@pytest.fixture
def spool(tmp_path):
    with Spool(tmp_path / "spool", 1_000_000) as spool:
        yield spool


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def service():
    return Service()


@pytest.fixture
def sender(spool, service, clock):
    ids = itertools.count(1)
    return Sender(spool, service, clock, lambda: f"push-{next(ids)}", lambda: 0.0, key="the key")
