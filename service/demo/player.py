"""Plays the exchange's day through the service's real doors, a stretch of simulated time a step."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

from service import app
from service.demo import blemishes, bodies
from service.demo.narration import Narrator
from service.demo.plots import END_MS, MINUTE_MS, START_MS
from service.demo.scenario import Readings, Scenario
from service.demo.stage import Stage

# What is evaluated does not depend on it; a shorter one takes longer.
STEP_MS = 10 * MINUTE_MS


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


def play(stage: Stage, day: Scenario, narrator: Narrator, step_ms: int = STEP_MS) -> Played:
    """Push the whole day, evaluate and deliver after each step, and tell what comes of it."""
    began = time.monotonic()
    pushed = repeated = Pushed()
    for start_ms, end_ms in steps(step_ms):
        readings = day.between(start_ms, end_ms)
        stage.clock.advance_to(end_ms)
        pushed += push(stage, readings)
        if start_ms < blemishes.TWICE_MS <= end_ms:
            repeated += push(stage, readings)
        app.evaluate(stage.parts)
        app.deliver(stage.parts)
        narrator.tell(stage.receiver.messages)
    return Played(pushed, repeated, time.monotonic() - began)


def steps(step_ms: int) -> Iterator[tuple[int, int]]:
    """Stretches (start, end] that cover the day; the first holds the very first reading too."""
    for start_ms in range(START_MS, END_MS, step_ms):
        yield start_ms - (start_ms == START_MS), min(start_ms + step_ms, END_MS)


def push(stage: Stage, readings: Readings) -> Pushed:
    """Push readings as a host's agent would, and what the service answered."""
    headers = {"content-type": bodies.CONTENT_TYPE}
    answer = stage.http.post("/v1/samples", content=bodies.arrow_body(readings), headers=headers)
    answer.raise_for_status()
    told = answer.json()
    return Pushed(told["accepted"], told["duplicates"], len(told["rejected"]))
