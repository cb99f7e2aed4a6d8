"""What an evaluation left behind, and what the same samples give when they are assessed at once with no database."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from examples import EPOCH_MS
from sqlalchemy import Engine

from service.feeds import body
from service.rules.assess import Assessment, Run, assess
from service.rules.diagnoses.assessed import with_explanations
from service.rules.layouts import layout_of
from service.storage import findings, inventory, windows
from service.storage.database import reading
from service.terms import Finding, MemberWindows, Rule, Span

WINDOW_MS = 30_000


@dataclass(frozen=True)
class Left:
    """What is kept: windows of the one team, findings by time, the lines of their histories."""

    members: MemberWindows
    kinds: np.ndarray
    restated: np.ndarray
    found: list[Finding]
    lines: list[tuple[str, int, str]]


def left(engine: Engine, end_s: int) -> Left:
    """What is kept of the first seconds."""
    with reading(engine) as connection:
        team_id = inventory.teams(connection).items[0].id
        kept = windows.read(connection, team_id, EPOCH_MS, EPOCH_MS + end_s * 1000)
        found = sorted((one.finding for one in findings.listing(connection).items), key=lambda f: f.raised_ms)
        lines = [(f.id, line.at_ms, line.what) for f in found for line in findings.history(connection, f.id)]
    return Left(kept.members, kept.kinds, kept.restated, found, lines)


def at_once(samples: list[dict[str, Any]], end_s: int) -> Assessment:
    """The same samples assessed in one go, as a file of counters is checked."""
    parsed = body.parse(json.dumps({"samples": samples}).encode(), "application/json")
    layout, _ = layout_of(parsed.ports)
    span = Span(EPOCH_MS, end_s * 1000 // WINDOW_MS)
    rules = (Rule(),) * len(layout.teams)
    found = assess(Run(parsed.samples, parsed.facts, layout, rules, span, now_ms=span.end_ms))
    return with_explanations(found, layout, rules)


def same_figures(one: MemberWindows, other: MemberWindows) -> bool:
    """Whether two sets of windows show the same figures, unknown ones included."""
    return all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=name in ("utilisation", "lower", "upper"))
        for name in ("utilisation", "lower", "upper", "coverage", "basis", "speed_bps", "marks", "why_not")
    )
