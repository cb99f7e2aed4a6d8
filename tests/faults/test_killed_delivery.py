"""Whatever the step at which a sender is killed: nothing kept is lost, and repeats bear the same id."""

import json
import os
import signal
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest
from examples import EPOCH_MS
from receivers import SECRET, listening
from sqlalchemy import delete, select

from service.delivery import CLAIM_MS
from service.storage import tables
from service.webhooks.signature import verify

HERE = Path(__file__).parent
NOW_MS = EPOCH_MS + 600_000
RESTART_MS = NOW_MS + CLAIM_MS
MOST_STEPS = 2_000


class Sender:
    """The process that is killed again and again, asked over its pipes."""

    def __init__(self, process, url):
        self._process = process
        self._url = url

    def run(self, receiver, *, die_at=0, story="all", now_ms=NOW_MS):
        job = {"url": self._url, "receiver": receiver, "die_at": die_at, "story": story, "now_ms": now_ms}
        self._process.stdin.write(json.dumps(job) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


@pytest.fixture
def sender(engine):
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE.parent), str(HERE.parents[1])])}
    command = [sys.executable, str(HERE / "sender.py")]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
    ) as process:
        yield Sender(process, engine.url.render_as_string(hide_password=False))
        process.stdin.close()
        process.wait(timeout=10)


@pytest.fixture
def receiver():
    with listening() as receiver:
        yield receiver


class TestKilledDelivery:
    def test_loses_nothing_tells_nothing_unkept_and_repeats_under_the_same_id(self, engine, sender, receiver):
        repeats, quiet, told_again = 0, 0, 0
        for die_at in range(1, MOST_STEPS):
            forget(engine)
            place = receiver.url(f"/{die_at}")
            ended = sender.run(place, die_at=die_at)
            before = len(heard_at(receiver, die_at))
            assert sender.run(place, story="deliveries", now_ms=RESTART_MS) == 0

            heard = heard_at(receiver, die_at)
            check_told(engine, heard)
            repeats += len(heard) > len({one.headers["webhook-id"] for one in heard})
            quiet += not heard
            told_again += len(heard) > before
            if ended == 0:
                break
            assert ended == -signal.SIGKILL

        assert ended == 0, "the story never came to its end"
        assert die_at > 50  # every statement, commit and post of the story was a step
        # The kills really fell before, between and after: else this would show nothing.
        assert min(repeats, quiet, told_again) > 0
        assert receiver_verifies(heard)


def forget(engine):
    with engine.begin() as connection:
        for table in (tables.deliveries, tables.findings):
            connection.execute(delete(table))


def heard_at(receiver, die_at):
    return [one for one in receiver.heard if one.path.startswith(f"/{die_at}/")]


def check_told(engine, heard):
    """All that was kept was told, in order, each message under one id, and nothing else."""
    kept, rows = kept_in(engine)
    owed_to = {(row.finding_id, row.what, row.route) for row in rows}
    assert owed_to == {(finding, what, "chat") for finding, what in kept}

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
    of = {(row.finding_id, row.route, row.what): row for row in rows}
    for (finding, route, what), row in of.items():
        if what == "cleared" and of[finding, route, "raised"].state == "taken":
            assert ids.index(of[finding, route, "raised"].id) < ids.index(row.id)


def kept_in(engine):
    """The changes of findings that were committed, and the messages owed."""
    with engine.connect() as connection:
        kept = connection.execute(select(tables.findings.c.id, tables.findings.c.cleared_ms)).all()
        changes = [(row.id, "raised") for row in kept] + [(row.id, "cleared") for row in kept if row.cleared_ms]
        return changes, connection.execute(select(tables.deliveries)).all()


def receiver_verifies(heard):
    return all(verify(one.headers, one.body, SECRET, RESTART_MS, tolerance_s=600) for one in heard)
