"""Roll-ups: five minutes a row, kept for a year; what they hold is worked out elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from sqlalchemy import Connection, select

from service.storage import figures, tables, team_rows
from service.storage.dialects import among
from service.storage.inventory import Placed
from service.terms import Codes, Floats, Singles, Span, Truths

WIDTH_MS = 300_000
_table = tables.rollups
_TAKE = """
INSERT INTO rollups AS kept (team_id, start_ms, members, figures)
SELECT team_id, start_ms, members, figures FROM staged_rollups WHERE true ORDER BY team_id, start_ms
ON CONFLICT (team_id, start_ms) DO UPDATE SET members = excluded.members, figures = excluded.figures
WHERE kept.figures <> excluded.figures OR kept.members <> excluded.members
RETURNING team_id
"""


class Rolled(Protocol):
    """Figures of every port in every slot of five minutes: arrays (n_ports, n_slots, 2)."""

    @property
    def span(self) -> Span:
        """The slots."""

    @property
    def mean(self) -> Floats:
        """Mean utilisation over what was covered, NaN where unknown."""

    @property
    def peak(self) -> Singles | Floats:
        """Utilisation of the busiest window."""

    @property
    def hot_seconds(self) -> Singles | Floats:
        """Seconds of windows above the hot line."""

    @property
    def coverage(self) -> Singles | Floats:
        """Share of the slot that intervals cover."""


@dataclass(frozen=True)
class Kept:
    """Roll-ups of teams; figures (n_ports, n_slots, 2) by `port_ids`, `there` (n_teams, n_slots) by `team_ids`."""

    team_ids: Codes
    port_ids: Codes
    span: Span
    mean: Floats
    peak: Singles
    hot_seconds: Singles
    coverage: Singles
    there: Truths


def write(connection: Connection, placed: Placed, rolled: Rolled, wanted: Truths | None = None) -> int:
    """Write the roll-ups of teams, all or those wanted (n_teams, n_slots), over what was there; how many changed."""
    arrays = {name: np.asarray(getattr(rolled, name)) for name in figures.ROLLUP.fields}
    chosen = np.ones((len(placed.team_ids), rolled.span.count), dtype=bool) if wanted is None else wanted
    groups = team_rows.grouped(placed, rolled.span, figures.ROLLUP, arrays, chosen)
    return len(team_rows.upsert(connection, "rollups", groups, _TAKE))


def read_many(connection: Connection, team_ids: Codes, from_ms: int, to_ms: int) -> Kept:
    """The roll-ups of teams that begin within [from_ms, to_ms), over all ports that were members in any of them."""
    span = team_rows.slots(from_ms, to_ms, WIDTH_MS)
    query = (
        select(_table)
        .where(among(connection, _table.c.team_id, np.asarray(team_ids).tolist()))
        .where(_table.c.start_ms >= span.first_ms, _table.c.start_ms < span.end_ms)
    )
    found = team_rows.scattered(figures.ROLLUP, connection.execute(query).all(), team_ids, span)
    there = np.zeros((len(team_ids), span.count), dtype=bool)
    there[found.team, found.slot] = True
    return Kept(team_ids, found.port_ids, span, **found.arrays, there=there)
