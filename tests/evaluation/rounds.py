"""Evaluation with nothing around it: batches are kept, rounds are run, at instants that a test names."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Engine
from walks.traffic import START_S

from service import ingest
from service.evaluation import Evaluator, Outcome, Policy
from service.feeds import body
from service.terms import Rule
from service.webhooks.routes import Route

LATENESS_S = 90


def a_route(**changes: Any) -> Route:
    """A route that wants everything; nothing is sent in these tests."""
    return Route(**{"name": "chat", "url": "https://hooks.example.net/x", "secrets": (b"k" * 32,), **changes})


@dataclass
class Rounds:
    """An evaluator on a database, and how its samples get there."""

    engine: Engine
    routes: tuple[Route, ...] = field(default_factory=lambda: (a_route(),))

    def __post_init__(self) -> None:
        self.policy = Policy(lambda device, team: Rule())
        self.evaluator = Evaluator(self.engine, self.policy, self.routes)

    def push(self, samples: Iterable[dict[str, Any]], at_s: float) -> ingest.Taken | None:
        """Keep samples as received at so many seconds after the start."""
        batch = list(samples)
        if not batch:
            return None
        parsed = body.parse(json.dumps({"samples": batch}).encode(), "application/json")
        return ingest.keep(self.engine, parsed, feed="push", now_ms=round((START_S + at_s) * 1000))

    def run(self, at_s: float) -> Outcome:
        """A round at so many seconds after the start."""
        return self.evaluator.run(round((START_S + at_s) * 1000))

    def walk(self, samples: list[dict[str, Any]], end_s: int, step_s: int = 60) -> None:
        """Push as samples fall due, with a round after each step."""
        for done_s in range(0, end_s, step_s):
            reached_s = min(done_s + step_s, end_s)
            self.push([s for s in samples if done_s - (done_s == 0) < s["time"] - START_S <= reached_s], reached_s)
            self.run(reached_s)
        self.run(end_s + LATENESS_S)
