"""Whatever the step at which the service is killed: what it acknowledged it keeps, judges and tells all the same."""

import json
import shutil

import pytest
from examples import EPOCH_MS
from faults.mortals import deaths, started
from receivers import listening
from sqlalchemy import func, select

from service.delivery import CLAIM_MS
from service.storage import database, retention, tables

# Two members every 10 s, with the reading that the first interval starts from.
SAMPLES_OF_BATCHES = (0, 2 * (4 * 6 + 1), 2 * (11 * 6 + 1))


@pytest.fixture(params=["sqlite", "postgresql"])
def new_engine(request, tmp_path):
    """Makes empty, migrated databases: a death is found in the one it happened to."""
    make = request.getfixturevalue(f"_new_{request.param}")
    made = []

    def new():
        made.append(make(len(made)))
        with made[-1].begin() as connection:
            retention.prepare(connection, EPOCH_MS)
        return made[-1]

    yield new
    for engine in made:
        engine.dispose()


@pytest.fixture
def _new_sqlite(tmp_path, _sqlite_template):
    def make(number):
        path = tmp_path / f"{number}.sqlite"
        shutil.copy(_sqlite_template, path)
        return database.open(f"sqlite:///{path}")

    return make


@pytest.fixture
def _new_postgresql(new_postgresql_url, _postgresql_template):
    return lambda number: database.open(new_postgresql_url("migrated"))


class TestKilledRoad:
    def test_keeps_what_it_acknowledged_and_ends_as_if_nothing_had_happened(self, new_engine, tmp_path):
        with listening() as receiver, started("walker.py") as walker:
            acknowledgements = tmp_path / "acknowledged"

            def walk(engine, place, **told):
                told = {"late_ms": 0, "acknowledged": acknowledged(acknowledgements)} | told
                return walker.play(engine, receiver.url(place), acknowledgements=str(acknowledgements), **told)

            undisturbed = new_engine()
            assert walk(undisturbed, "/undisturbed") == 0
            expected, told = kept_in(undisturbed), told_at(receiver, "/undisturbed")
            assert told == ["cleared", "raised"]

            def die(die_at):
                acknowledgements.unlink(missing_ok=True)
                engines.append(new_engine())
                return walk(engines[-1], f"/{die_at}", die_at=die_at)

            engines = []
            for die_at in deaths(die):
                with engines[-1].connect() as connection:
                    count = connection.scalar(select(func.count()).select_from(tables.samples))
                assert count >= SAMPLES_OF_BATCHES[acknowledged(acknowledgements)]

                assert walk(engines[-1], f"/{die_at}", late_ms=CLAIM_MS) == 0

                assert kept_in(engines[-1]) == expected
                assert told_at(receiver, f"/{die_at}") == told
                engines[-1].dispose()
            assert die_at > 50


def acknowledged(path):
    return len(path.read_bytes()) if path.exists() else 0


def kept_in(engine):
    """Windows and findings as they are kept, and how many samples they rest on."""
    findings, windows = tables.findings.c, tables.windows.c
    with engine.connect() as connection:
        return (
            connection.scalar(select(func.count()).select_from(tables.samples)),
            connection.execute(select(findings.id, findings.body).order_by(findings.id)).all(),
            connection.execute(
                select(windows.team_id, windows.start_ms, windows.kind_egress, windows.restated, windows.figures)
                .where(windows.start_ms < EPOCH_MS + 11 * 60_000)
                .order_by(windows.team_id, windows.start_ms)
            ).all(),
        )


def told_at(receiver, place):
    """What was told, one entry a message whatever its repeats, which all have one body."""
    bodies = {}
    for one in receiver.heard:
        if one.path == place:
            bodies.setdefault(one.headers["webhook-id"], set()).add(one.body)
    assert all(len(tellings) == 1 for tellings in bodies.values())
    return sorted(json.loads(body)["data"]["what"] for tellings in bodies.values() for body in tellings)
