"""Decided windows: one row a team and window, so that a team's chart is one contiguous read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, select

from service.storage import figures, tables, team_rows
from service.storage.dialects import among
from service.storage.inventory import Placed
from service.terms import Bytes, Codes, Ints, MemberWindows, Truths

_table = tables.windows
_TAKE = """
INSERT INTO windows AS kept (team_id, start_ms, width_ms, kind_egress, kind_ingress, members, figures, restated)
SELECT team_id, start_ms, width_ms, kind_egress, kind_ingress, members, figures, 0
FROM staged_windows WHERE true ORDER BY team_id, start_ms
ON CONFLICT (team_id, start_ms) DO UPDATE SET
    width_ms = excluded.width_ms, kind_egress = excluded.kind_egress, kind_ingress = excluded.kind_ingress,
    members = excluded.members, figures = excluded.figures,
    restated = CASE WHEN kept.restated < 32767 THEN kept.restated + 1 ELSE kept.restated END
WHERE kept.figures <> excluded.figures OR kept.members <> excluded.members OR kept.width_ms <> excluded.width_ms
    OR kept.kind_egress <> excluded.kind_egress OR kept.kind_ingress <> excluded.kind_ingress
RETURNING team_id, start_ms, restated
"""


class Changed(NamedTuple):
    """The rows that writing made or changed, each (n,).

    `restated` is 0 for a new one, else how often it was rewritten.
    """

    team_id: Codes
    start_ms: Ints
    restated: Codes


@dataclass(frozen=True)
class Kept:
    """Windows of teams as they were decided.

    `members` has its ports by position in `port_ids` (n_ports,); `kinds` (n_teams, n_windows, 2),
    `there` and `restated` (n_teams, n_windows) follow `team_ids`. A window that is not there has
    members that are unknown.
    """

    team_ids: Codes
    port_ids: Codes
    members: MemberWindows
    kinds: Bytes
    there: Truths
    restated: npt.NDArray[np.int16]


def write(
    connection: Connection, placed: Placed, members: MemberWindows, kinds: Bytes, wanted: Truths | None = None
) -> Changed:
    """Write the windows of teams, all or those wanted (n_teams, n_windows), and count what was rewritten.

    `members` has its ports as `placed` does; `kinds` is of shape (n_teams, n_windows, 2).
    """
    chosen = np.ones(kinds.shape[:2], dtype=bool) if wanted is None else wanted
    groups = list(team_rows.grouped(placed, members.span, figures.WINDOW, vars(members), chosen))
    for group in groups:
        kind = kinds[group.team, group.window]
        width = np.full(len(group.team), members.span.width_ms, dtype=np.int32)
        group.columns.update(width_ms=width, kind_egress=kind[:, 0], kind_ingress=kind[:, 1])
    done = np.array([tuple(row) for row in team_rows.upsert(connection, "windows", groups, _TAKE)], dtype=np.int64)
    done = done.reshape(-1, 3)
    return Changed(done[:, 0].astype(np.int32), done[:, 1], done[:, 2].astype(np.int32))


def read(connection: Connection, team_id: int, from_ms: int, to_ms: int, width_ms: int = 30_000) -> Kept:
    """The windows of one team that begin within [from_ms, to_ms)."""
    return read_many(connection, np.array([team_id], dtype=np.int32), from_ms, to_ms, width_ms)


def read_many(connection: Connection, team_ids: Codes, from_ms: int, to_ms: int, width_ms: int = 30_000) -> Kept:
    """The windows of teams that begin within [from_ms, to_ms), over all ports that were members in any of them."""
    span = team_rows.slots(from_ms, to_ms, width_ms)
    columns = ("team_id", "start_ms", "kind_egress", "kind_ingress", "restated", "members", "figures")
    query = (
        select(*(_table.c[name] for name in columns))
        .where(among(connection, _table.c.team_id, np.asarray(team_ids).tolist()))
        .where(_table.c.start_ms >= span.first_ms, _table.c.start_ms < span.end_ms, _table.c.width_ms == width_ms)
        .order_by(_table.c.start_ms)
    )
    rows = connection.execute(query).all()
    found = team_rows.scattered(figures.WINDOW, rows, team_ids, span)
    kinds = np.zeros((len(team_ids), span.count, 2), dtype=np.uint8)
    restated = np.zeros((len(team_ids), span.count), dtype=np.int16)
    there = np.zeros((len(team_ids), span.count), dtype=bool)
    at = (found.team, found.slot)
    kinds[at] = np.array([(row.kind_egress, row.kind_ingress) for row in rows], dtype=np.uint8).reshape(-1, 2)
    restated[at] = [row.restated for row in rows]
    there[at] = True
    return Kept(team_ids, found.port_ids, MemberWindows(span=span, **found.arrays), kinds, there, restated)


def by_layout(kept: Kept, placed: Placed) -> MemberWindows:
    """Kept windows with their ports where the layout has them; a port that was no member then is unknown."""
    arrays: dict[str, Any] = figures.WINDOW.blanks(len(placed.port_ids), kept.members.span.count)
    shared, at, there = np.intersect1d(placed.port_ids, kept.port_ids, return_indices=True)
    if len(shared):
        for name, values in arrays.items():
            values[at] = getattr(kept.members, name)[there]
    return MemberWindows(span=kept.members.span, **arrays)
