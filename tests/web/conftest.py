"""The HTTP side over an empty database of each kind, and over one on which a quarter of an hour has been played."""

from __future__ import annotations

import shutil

import pytest
from examples import EPOCH_MS
from walks.traffic import polls
from web_examples import asked

from service.evaluation import Evaluator, Policy
from service.storage import database
from service.terms import Rule

PLAYED_MS = EPOCH_MS + 900_000 + 120_000


@pytest.fixture
def http(sqlite_engine):
    """Asked from this machine, over SQLite."""
    return asked(sqlite_engine)


@pytest.fixture
def http_of_each(engine):
    """Asked from this machine, once over each kind of database."""
    return asked(engine)


@pytest.fixture(scope="session")
def _played_template(tmp_path_factory, _sqlite_template):
    """Team front of sm-07 after 5 minutes at 92 % and 2 %, and 10 at 40 % and 38 %: pushed and evaluated."""
    path = tmp_path_factory.mktemp("played") / "played.sqlite"
    shutil.copy(_sqlite_template, path)
    engine = database.open(f"sqlite:///{path}")
    answer = asked(engine, now_ms=lambda: PLAYED_MS).post(
        "/v1/samples", json={"samples": polls((5, (0.92, 0.02)), (10, (0.40, 0.38)))}
    )
    assert answer.json()["rejected"] == [], answer.text
    Evaluator(engine, Policy(lambda _device, _team: Rule())).run(PLAYED_MS)
    engine.dispose()
    return path


@pytest.fixture
def played_engine(tmp_path, _played_template):
    """A database on which that has been played."""
    path = tmp_path / "played.sqlite"
    shutil.copy(_played_template, path)
    engine = database.open(f"sqlite:///{path}")
    yield engine
    engine.dispose()


@pytest.fixture
def played(played_engine):
    """Asked from this machine two minutes after that has been played."""
    return asked(played_engine, now_ms=lambda: PLAYED_MS)
