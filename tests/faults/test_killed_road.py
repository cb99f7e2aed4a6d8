"""Whatever the step at which the service is killed: what it acknowledged it keeps, judges and tells all the same."""

import json

import pytest
from examples import EPOCH_MS
from faults.mortals import deaths, started
from receivers import listening
from sqlalchemy import delete, func, select, text

from service.delivery import CLAIM_MS
from service.storage import retention, tables

# Two members every 10 s, with the reading that the first interval starts from.
SAMPLES_OF_BATCHES = (0, 2 * (4 * 6 + 1), 2 * (11 * 6 + 1))

# Beginning and end; or both in one, where the service was down from one to the other, even if
# it had died before it could note that the beginning was heard.
TOLD = ({"raised", "cleared"}, {"combined"}, {"raised", "combined"})


@pytest.mark.timeout(900)  # a hundred deaths and restarts, on a machine that may be busy
class TestKilledRoad:
    def test_keeps_what_it_acknowledged_and_ends_as_if_nothing_had_happened(self, engine, tmp_path):
        with listening() as receiver, started("walker.py") as walker:
            acknowledgements = tmp_path / "acknowledged"

            def walk(place, **told):
                told = {"late_ms": 0, "acknowledged": acknowledged(acknowledgements), "within_posts": False} | told
                return walker.play(engine, receiver.url(place), acknowledgements=str(acknowledgements), **told)

            def die(die_at):
                acknowledgements.unlink(missing_ok=True)
                forget(engine)
                return walk(f"/{die_at}", die_at=die_at)

            with engine.begin() as connection:
                retention.prepare(connection, EPOCH_MS)
            assert die(0) == 0
            expected = kept_in(engine)
            assert told_at(receiver, "/0") == {"raised", "cleared"}

            for die_at in deaths(die):
                with engine.connect() as connection:
                    count = connection.scalar(select(func.count()).select_from(tables.samples))
                assert count >= SAMPLES_OF_BATCHES[acknowledged(acknowledgements)]

                assert walk(f"/{die_at}", late_ms=CLAIM_MS) == 0

                assert kept_in(engine) == expected, die_at
                assert told_at(receiver, f"/{die_at}") in TOLD, die_at
            assert die_at > 50


def forget(engine):
    """Empties a database, also of what is only ever added to."""
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SET LOCAL session_replication_role = replica"))
        for table in reversed(tables.metadata.sorted_tables):
            if engine.dialect.name == "sqlite":
                connection.execute(text(f"DROP TRIGGER IF EXISTS {table.name}_no_delete"))
            connection.execute(delete(table))


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
                select(windows.start_ms, windows.kind_egress, windows.restated, windows.figures)
                .where(windows.start_ms < EPOCH_MS + 11 * 60_000)
                .order_by(windows.start_ms)
            ).all(),
        )


def told_at(receiver, place):
    """What was told, one entry a message whatever its repeats, which all have one body."""
    bodies = {}
    for one in receiver.heard:
        if one.path == place:
            bodies.setdefault(one.headers["webhook-id"], set()).add(one.body)
    assert all(len(tellings) == 1 for tellings in bodies.values())
    return {json.loads(body)["data"]["what"] for tellings in bodies.values() for body in tellings}
