"""Rolling decided windows up into five minutes, as soon as all windows of a slot are decided."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection

from service.evaluation.piece import Judged
from service.numerics.rollup import WIDTH_MS, Rollups, rolled_up
from service.storage import rollups, windows
from service.terms import Floats, MemberWindows, Span


@dataclass(frozen=True)
class Rolled:
    """Roll-ups as they are kept: figures (n_ports, n_slots, 2) of the slots of `span`."""

    span: Span
    mean: Floats
    peak: Floats
    hot_seconds: Floats
    coverage: Floats


def roll_up(connection: Connection, judged: Judged, decided_ms: int) -> None:
    """Roll up the slots that a piece touched and that are decided to their end."""
    span = judged.assessment.members.span
    first_ms = span.first_ms // WIDTH_MS * WIDTH_MS
    end_ms = min(-(-span.end_ms // WIDTH_MS) * WIDTH_MS, max(decided_ms, span.end_ms) // WIDTH_MS * WIDTH_MS)
    if end_ms <= first_ms:
        return
    placed = judged.placed
    kept = windows.read_many(connection, placed.team_ids, first_ms, end_ms, span.width_ms)
    slots = Span(first_ms, (end_ms - first_ms) // WIDTH_MS, WIDTH_MS)
    rolled = _rolled(windows.by_layout(kept, placed), slots, _hot_lines(judged))
    had_windows = np.any(kept.there.reshape(len(placed.team_ids), slots.count, -1), axis=2)
    rollups.write(connection, placed, rolled, had_windows)


def _hot_lines(judged: Judged) -> Floats:
    """The hot line of each port's team, shape (n_ports,)."""
    return np.array([rule.hot_above for rule in judged.rules])[judged.placed.layout.team_of_port()]


def _rolled(members: MemberWindows, slots: Span, hot: Floats) -> Rolled:
    """Every port rolled up under its own hot line."""
    figures = {name: np.full((len(hot), slots.count, 2), np.nan) for name in Rollups._fields if name != "start_ms"}
    for line in np.unique(hot):
        at = hot == line
        # The windows are the last axis where they are rolled up, the directions elsewhere.
        utilisation, coverage = (np.moveaxis(a[at], 1, -1) for a in (members.utilisation, members.coverage))
        rolled = rolled_up(utilisation, coverage, members.span, hot_above=float(line))
        for name, out in figures.items():
            out[at] = np.moveaxis(getattr(rolled, name), -1, 1)
    return Rolled(slots, **figures)
