"""Which ports each kept window of a team is about: members may have changed from one to the next."""

from __future__ import annotations

import numpy as np
from sqlalchemy import Connection, select

from service.storage import tables

_windows, _rollups = tables.windows, tables.rollups
Roster = tuple[int, ...]


def of_windows(connection: Connection, team_id: int, from_ms: int, to_ms: int, width_ms: int) -> dict[int, Roster]:
    """By start, the ids of the ports by position in the team, of windows that begin within [from_ms, to_ms)."""
    query = (
        select(_windows.c.start_ms, _windows.c.members)
        .where(_windows.c.team_id == team_id, _windows.c.width_ms == width_ms)
        .where(_windows.c.start_ms >= from_ms, _windows.c.start_ms < to_ms)
        .order_by(_windows.c.start_ms)
    )
    return {start_ms: _read(members) for start_ms, members in connection.execute(query)}


def of_rollups(connection: Connection, team_id: int, from_ms: int, to_ms: int) -> dict[int, Roster]:
    """The same of roll-ups."""
    query = (
        select(_rollups.c.start_ms, _rollups.c.members)
        .where(_rollups.c.team_id == team_id, _rollups.c.start_ms >= from_ms, _rollups.c.start_ms < to_ms)
        .order_by(_rollups.c.start_ms)
    )
    return {start_ms: _read(members) for start_ms, members in connection.execute(query)}


def _read(members: bytes) -> Roster:
    return tuple(np.frombuffer(members, dtype="<i4").tolist())
