"""Ids of signed pushes that were taken, so that a recorded one cannot be played again."""

from __future__ import annotations

from sqlalchemy import Connection, delete

from service.storage import tables
from service.storage.dialects import inserting, was_inserted

_table = tables.seen_pushes


def is_new(connection: Connection, push_id: str, until_ms: int) -> bool:
    """Whether this id was not seen yet; from now on it is, for as long as its signature would be believed."""
    return was_inserted(connection, inserting(connection, _table).values(id=push_id, until_ms=until_ms))


def withdraw(connection: Connection, push_id: str) -> None:
    """Take back that an id was seen: nothing of its push was kept, and its sender will try again."""
    connection.execute(delete(_table).where(_table.c.id == push_id))


def forget(connection: Connection, now_ms: int) -> int:
    """Forget those whose signature nobody believes any more; how many."""
    return connection.execute(delete(_table).where(_table.c.until_ms <= now_ms)).rowcount
