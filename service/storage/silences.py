"""Of which sources that fell silent people were told, and which of those are heard again."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from sqlalchemy import Connection, func, or_, select, update

from service.storage import tables
from service.storage.dialects import among

_table = tables.devices
TOLD_LOCK = 6_207_114_519


class Silence(NamedTuple):
    """A source and since when it was silent."""

    device_id: int
    device: str
    since_ms: int


def untold(connection: Connection, before_ms: int, limit: int) -> tuple[Silence, ...]:
    """Sources that have been silent since then or longer, of which nobody was told; the longest silent first."""
    since, told = _table.c.silent_since_ms, _table.c.silence_told_ms
    query = select(_table.c.id, _table.c.name, since).where(since <= before_ms, or_(told.is_(None), told != since))
    return tuple(Silence(*row) for row in connection.execute(query.order_by(since, _table.c.id).limit(limit)))


def over(connection: Connection, limit: int) -> tuple[Silence, ...]:
    """Sources that are heard again, of whose silence people were told."""
    since, told = _table.c.silent_since_ms, _table.c.silence_told_ms
    query = select(_table.c.id, _table.c.name, told).where(since.is_(None), told.is_not(None))
    return tuple(Silence(*row) for row in connection.execute(query.order_by(told, _table.c.id).limit(limit)))


def how_many(connection: Connection) -> int:
    """How many sources are silent."""
    found = select(func.count()).select_from(_table).where(_table.c.silent_since_ms.is_not(None))
    return connection.scalar(found) or 0


def note_told(connection: Connection, silences: Collection[Silence]) -> None:
    """Note that people are told of these silences."""
    ids = sorted(one.device_id for one in silences)
    told = update(_table).where(among(connection, _table.c.id, ids))
    connection.execute(told.values(silence_told_ms=_table.c.silent_since_ms))


def note_over(connection: Connection, silences: Collection[Silence]) -> None:
    """Note that people are told of their end."""
    ids = sorted(one.device_id for one in silences)
    connection.execute(update(_table).where(among(connection, _table.c.id, ids)).values(silence_told_ms=None))
