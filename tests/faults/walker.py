"""A process that walks the whole road, from a pushed batch to a message taken, and dies at a given step."""

from __future__ import annotations

import json
import os
import tempfile

from examples import EPOCH_MS
from faults.dying import serve
from walks.traffic import START_S, polls

from service import ingest
from service.delivery import deliver_due
from service.evaluation import Evaluator, Policy
from service.feeds import body
from service.storage import database
from service.terms import Rule

LATENESS_MS = 90_000
# Hot beside idle for four minutes, which raises; then calm for seven, which clears.
SAMPLES = polls((4, (0.92, 0.02)), (7, (0.45, 0.45)))
BATCH_ENDS_S = (4 * 60, 11 * 60)


def play(stage, job):
    """Push the batches that were not acknowledged yet, and work after each; acknowledgements go to a file.

    After a restart the clock stands where the last batch was pushed, or later: it never goes back.
    """
    evaluator = Evaluator(stage.engine, Policy(lambda device, team: Rule()), stage.routes)
    for number in range(min(job["acknowledged"], len(BATCH_ENDS_S) - 1), len(BATCH_ENDS_S)):
        now_ms = EPOCH_MS + BATCH_ENDS_S[number] * 1000 + LATENESS_MS
        if number >= job["acknowledged"]:
            push(stage, batch(number), now_ms)
            acknowledge(job["acknowledgements"])
            stage.step()
        evaluator.run(now_ms)
        stage.step()
        # What a dead sender had claimed is free again only later.
        deliver_due(stage.engine, stage.send, stage.routes, now_ms=now_ms + job["late_ms"])


def batch(number):
    """The body of a push: the samples since the one before."""
    started_s = (-1, *BATCH_ENDS_S)[number]
    some = [s for s in SAMPLES if started_s < s["time"] - START_S <= BATCH_ENDS_S[number]]
    return json.dumps({"samples": some}).encode()


def push(stage, octets, now_ms):
    ingest.keep(stage.engine, body.parse(octets, "application/json"), feed="push", now_ms=now_ms)


def acknowledge(path):
    """One octet a batch that was answered: what the feed then forgets."""
    with open(path, "ab") as file:
        file.write(b".")
        file.flush()
        os.fsync(file.fileno())


def warm_up():
    """Loads what is compiled once, before there are processes that would each do it anew."""
    with tempfile.TemporaryDirectory() as folder:
        engine = database.open(f"sqlite:///{folder}/warm.sqlite")
        database.upgrade(engine)
        now_ms = EPOCH_MS + BATCH_ENDS_S[-1] * 1000 + LATENESS_MS
        ingest.keep(engine, body.parse(batch(0), "application/json"), feed="push", now_ms=now_ms)
        Evaluator(engine, Policy(lambda device, team: Rule())).run(now_ms)
        engine.dispose()


if __name__ == "__main__":
    warm_up()
    serve(play)
