"""A process that keeps findings, owes their messages and delivers them, and dies at a given step."""

from __future__ import annotations

from dataclasses import replace

from examples import EPOCH_MS, a_finding
from faults.dying import serve

from service.delivery import deliver_due, owe
from service.storage import findings

MINUTE = 60_000

FIRST = a_finding(id="f-first")
FIRST_OVER = replace(FIRST, cleared_ms=EPOCH_MS + 10 * MINUTE)
SECOND = a_finding(id="f-second", device="sm-08")
SECOND_OVER = replace(SECOND, cleared_ms=EPOCH_MS + 10 * MINUTE)
NEVER = a_finding(id="f-never", device="sm-09")


def play(stage, job):
    """The whole story, or only the deliveries after a restart."""
    now_ms = job["now_ms"]
    if job["story"] == "all":
        tell(stage, now_ms)
    deliver_due(stage.engine, stage.send, stage.routes, now_ms=now_ms)


def tell(stage, now_ms):
    """One finding heard as it comes and goes; one whose message is combined; one that is rolled back."""
    keep(stage, now_ms, (FIRST, "raised"))
    deliver_due(stage.engine, stage.send, stage.routes, now_ms=now_ms)
    keep(stage, now_ms, (SECOND, "raised"), (SECOND_OVER, "cleared"))
    keep(stage, now_ms, (NEVER, "raised"), undo=True)
    keep(stage, now_ms, (FIRST_OVER, "cleared"))


def keep(stage, now_ms, *changes, undo=False):
    """Changes of findings with the messages they owe, in one transaction."""
    with stage.engine.connect() as connection:
        for finding, what in changes:
            findings.save(connection, 1, finding)
            owe(connection, finding, what, stage.routes, now_ms)
        connection.rollback() if undo else connection.commit()


if __name__ == "__main__":
    serve(play)
