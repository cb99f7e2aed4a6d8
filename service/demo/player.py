"""Plays the exchange's day through the service's real doors, a stretch of simulated time a step."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from service import app
from service.demo import blemishes, bodies, said
from service.demo.narration import Narrator
from service.demo.plots import END_MS, MINUTE_MS, START_MS
from service.demo.scenario import Readings, Scenario
from service.demo.stage import Stage

# Long steps through the day, short ones in its last half hour, when things happen. What is found does not depend on
# them: evaluation follows the data.
LONG_STEP_MS, SHORT_STEP_MS = 30 * MINUTE_MS, 2 * MINUTE_MS
SHORT_FROM_MS = END_MS - 30 * MINUTE_MS


@dataclass(frozen=True)
class Pushed:
    """What the service answered to pushes: samples taken, known already, and refused."""

    accepted: int = 0
    duplicates: int = 0
    rejected: int = 0

    def __add__(self, other: Pushed) -> Pushed:
        return Pushed(
            self.accepted + other.accepted, self.duplicates + other.duplicates, self.rejected + other.rejected
        )


@dataclass(frozen=True)
class Played:
    """What playing the day came to; `repeated` is the answer to the batch that was pushed twice."""

    pushed: Pushed
    repeated: Pushed
    seconds: float


def play(stage: Stage, day: Scenario, narrator: Narrator) -> Played:
    """Push the whole day, evaluate and deliver after each step, and tell what comes of it."""
    began = time.monotonic()
    pushed = repeated = Pushed()
    said.declare(stage)
    for start_ms, end_ms in steps():
        readings = day.between(start_ms, end_ms)
        stage.clock.advance_to(end_ms)
        pushed += push(stage, readings)
        if start_ms < blemishes.TWICE_MS <= end_ms:
            repeated += push(stage, readings)
        said.post(stage, start_ms, end_ms)
        app.evaluate(stage.parts)
        app.hear(stage.parts)
        app.verify(stage.parts)
        app.deliver(stage.parts)
        narrator.tell(stage.receiver.messages)
    app.sum_up(stage.parts)
    return Played(pushed, repeated, time.monotonic() - began)


def steps() -> Iterator[tuple[int, int]]:
    """Stretches (start, end] that cover the day; the first holds the very first reading too."""
    edges = [*range(START_MS, SHORT_FROM_MS, LONG_STEP_MS), *range(SHORT_FROM_MS, END_MS, SHORT_STEP_MS), END_MS]
    yield edges[0] - 1, edges[1]
    yield from pairwise(edges[1:])


def push(stage: Stage, readings: Readings) -> Pushed:
    """Push readings as a host would, and what the service answered."""
    headers = {"content-type": bodies.CONTENT_TYPE}
    answer = stage.http.post("/v1/samples", content=bodies.arrow_body(readings), headers=headers)
    answer.raise_for_status()
    told = answer.json()
    return Pushed(told["accepted"], told["duplicates"], len(told["rejected"]))
