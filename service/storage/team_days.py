"""What each team's days came to, kept for longer than its windows."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Iterable
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select

from service.storage import tables
from service.storage.dialects import among
from service.terms import TeamDay

_table = tables.team_days
_KEYS = ("team_id", "day_ms", "direction")


def write(connection: Connection, days: Collection[TeamDay], made_ms: int) -> None:
    """Keep days, over what was told of the same before."""
    for day_ms in {day.day_ms for day in days}:
        ids = sorted({day.team_id for day in days if day.day_ms == day_ms})
        connection.execute(delete(_table).where(_table.c.day_ms == day_ms, among(connection, _table.c.team_id, ids)))
    rows = [_row(day, made_ms) for day in days]
    if rows:
        connection.execute(insert(_table), rows)


def missing(connection: Connection, day_ms: int, end_ms: int) -> list[int]:
    """The teams that were there before a day's end, were seen since it began, and whose day is not kept, in order."""
    teams = tables.teams.c
    kept = select(_table.c.team_id).where(_table.c.day_ms == day_ms)
    query = select(teams.id).where(teams.created_ms < end_ms, teams.decided_ms > day_ms, teams.id.not_in(kept))
    return list(connection.scalars(query.order_by(teams.id)))


def read(connection: Connection, from_ms: int, to_ms: int, team_ids: Iterable[int] | None = None) -> list[TeamDay]:
    """The days that begin within [from_ms, to_ms), of some teams or of all, in the order of their keys."""
    query = select(_table).where(_table.c.day_ms >= from_ms, _table.c.day_ms < to_ms)
    if team_ids is not None:
        query = query.where(among(connection, _table.c.team_id, sorted(team_ids)))
    rows = connection.execute(query.order_by(_table.c.team_id, _table.c.day_ms, _table.c.direction))
    return [_day(row) for row in rows]


def count(connection: Connection, from_ms: int, to_ms: int) -> int:
    """How many rows are kept of the days that begin within [from_ms, to_ms)."""
    query = select(func.count()).select_from(_table).where(_table.c.day_ms >= from_ms, _table.c.day_ms < to_ms)
    return int(connection.scalars(query).one())


def forget_before(connection: Connection, before_ms: int) -> int:
    """Remove the days that began before an instant; how many rows."""
    return connection.execute(delete(_table).where(_table.c.day_ms < before_ms)).rowcount


def _row(day: TeamDay, made_ms: int) -> dict[str, Any]:
    told = {name: _known(value) for name, value in asdict(day).items() if name not in _KEYS}
    keys = {name: getattr(day, name) for name in _KEYS}
    return {**keys, "made_ms": made_ms, "figures": json.dumps(told, allow_nan=False)}


def _known(value: object) -> object:
    if isinstance(value, tuple):
        return [_known(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _day(row: Any) -> TeamDay:
    told: dict[str, Any] = json.loads(row.figures)
    if None in told.values():
        told = {name: math.nan if value is None else value for name, value in told.items()}
    speeds = tuple(math.nan if one is None else one for one in told.pop("speeds_bps"))
    return TeamDay(row.team_id, row.day_ms, row.direction, speeds_bps=speeds, **told)


def names(connection: Connection) -> list[tuple[int, str, str, str, str]]:
    """Of every team its id, device, name, method and bundle, by id."""
    teams, devices = tables.teams.c, tables.devices.c
    query = select(teams.id, devices.name, teams.name, teams.method, teams.bundle)
    query = query.join_from(tables.teams, tables.devices, teams.device_id == devices.id).order_by(teams.id)
    return [(row[0], row[1], row[2], row[3], row[4]) for row in connection.execute(query)]
