"""Whatever the step at which a sender is killed: nothing kept is lost, and repeats bear the same id."""

import json
from collections import defaultdict

import pytest
from examples import EPOCH_MS
from faults.mortals import deaths, started
from receivers import SECRET, listening
from sqlalchemy import delete, select

from service.delivery import CLAIM_MS
from service.storage import tables
from service.webhooks.signature import verify

NOW_MS = EPOCH_MS + 600_000
RESTART_MS = NOW_MS + CLAIM_MS


@pytest.mark.timeout(900)  # a hundred deaths and restarts, on a machine that may be busy
class TestKilledDelivery:
    def test_loses_nothing_tells_nothing_unkept_and_repeats_under_the_same_id(self, engine):
        repeated, quiet, told_later = 0, 0, 0
        with listening() as receiver, started("sender.py") as sender:

            def die(die_at):
                forget(engine)
                return sender.play(engine, receiver.url(f"/{die_at}"), die_at=die_at, story="all", now_ms=NOW_MS)

            for die_at in deaths(die):
                place, before = receiver.url(f"/{die_at}"), len(heard_at(receiver, die_at))
                assert sender.play(engine, place, story="deliveries", now_ms=RESTART_MS) == 0

                heard = heard_at(receiver, die_at)
                check_told(engine, heard)
                repeated += len(heard) > len({one.headers["webhook-id"] for one in heard})
                quiet += not heard
                told_later += len(heard) > before

        # The kills really fell before, between and after what was told: else this would show nothing.
        assert die_at > 50
        assert min(repeated, quiet, told_later) > 0
        assert all(verify(one.headers, one.body, SECRET, RESTART_MS, tolerance_s=600) for one in heard)


def forget(engine):
    with engine.begin() as connection:
        for table in (tables.deliveries, tables.findings):
            connection.execute(delete(table))


def heard_at(receiver, die_at):
    return [one for one in receiver.heard if one.path == f"/{die_at}"]


def check_told(engine, heard):
    """All that was kept was told, in order, each message under one id, and nothing else."""
    kept, rows = kept_in(engine)
    assert {(row.finding_id, row.what) for row in rows} == set(kept)

    by_id = defaultdict(list)
    for one in heard:
        by_id[one.headers["webhook-id"]].append(one)
    states = {row.id: row.state for row in rows}
    assert set(by_id) == {message for message, state in states.items() if state == "taken"}
    assert set(states.values()) <= {"taken", "combined"}
    for message, tellings in by_id.items():
        assert len({one.body for one in tellings}) == 1
        assert json.loads(tellings[0].body)["id"] == message
    check_order(rows, list(by_id))


def check_order(rows, ids):
    """The end of a finding is told after its beginning, or for it."""
    of = {(row.finding_id, row.what): row for row in rows}
    for (finding, what), row in of.items():
        if what == "cleared" and of[finding, "raised"].state == "taken":
            assert ids.index(of[finding, "raised"].id) < ids.index(row.id)


def kept_in(engine):
    """The changes of findings that were committed, and the messages owed."""
    with engine.connect() as connection:
        kept = connection.execute(select(tables.findings.c.id, tables.findings.c.cleared_ms)).all()
        changes = [(row.id, "raised") for row in kept] + [(row.id, "cleared") for row in kept if row.cleared_ms]
        return changes, connection.execute(select(tables.deliveries)).all()
