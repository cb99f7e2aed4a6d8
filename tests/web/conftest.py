"""The HTTP side over an empty database of each kind, and over one on which a quarter of an hour has been played."""

from __future__ import annotations

import pytest
from examples import EPOCH_MS
from walks.traffic import polls
from web_examples import asked

from service.evaluation import Evaluator, Policy
from service.terms import Rule

PLAYED_S = 900


@pytest.fixture
def http(sqlite_engine):
    """Asked from this machine, over SQLite."""
    return asked(sqlite_engine)


@pytest.fixture
def http_of_each(engine):
    """Asked from this machine, once over each kind of database."""
    return asked(engine)


@pytest.fixture
def played(sqlite_engine):
    """Team front of sm-07 after 5 minutes at 92 % and 2 %, and 10 at 40 % and 38 %: pushed and evaluated."""
    now_ms = EPOCH_MS + PLAYED_S * 1000 + 120_000
    http = asked(sqlite_engine, now_ms=lambda: now_ms)
    answer = http.post("/v1/samples", json={"samples": polls((5, (0.92, 0.02)), (10, (0.40, 0.38)))})
    assert answer.json()["rejected"] == [], answer.text
    Evaluator(sqlite_engine, Policy(lambda _device, _team: Rule())).run(now_ms)
    return http
