"""How long things are kept: partitions made ahead and dropped whole, or rows deleted in slices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection, delete, select, text

from service.storage import close_looks, deliveries, item_readings, items, partitions, pushes, sessions, tables
from service.storage.database import is_sqlite

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
# The order of keys is port or team first: old rows are found owner by owner, by the key, not by reading everything.
_OWNERS = {"samples": ("ports", "port_id", "at_ms"), "windows": ("teams", "team_id", "start_ms")}
_OWNERS["rollups"] = ("teams", "team_id", "start_ms")


@dataclass(frozen=True)
class Retention:
    """How long samples, windows, roll-ups, and events about the data are kept."""

    samples_ms: int = 48 * HOUR_MS
    windows_ms: int = 14 * DAY_MS
    rollups_ms: int = 400 * DAY_MS
    events_ms: int = 400 * DAY_MS
    items_ms: int = 48 * HOUR_MS
    messages_ms: int = 400 * DAY_MS

    def of(self, table: str) -> int:
        """How long the rows of a table are kept."""
        return int(getattr(self, f"{table}_ms"))


class Pruned(NamedTuple):
    """What was removed: rows, or partitions by name; and whether there is more to remove at once."""

    rows: int
    partitions: tuple[str, ...]
    more: bool


def prepare(connection: Connection, now_ms: int, days_ahead: int = 3) -> None:
    """Make the partitions of the days to come, so that no batch has to."""
    ahead = now_ms + DAY_MS * np.arange(days_ahead + 1, dtype=np.int64)
    for table in partitions.UNITS:
        partitions.ensure(connection, table, ahead)


def prune(connection: Connection, now_ms: int, retention: Retention | None = None, slice_rows: int = 20_000) -> Pruned:
    """Remove what is past its time: whole partitions, or at most so many rows a table.

    Call it again, in a transaction of its own, while there is more: writers wait meanwhile.
    """
    kept = retention or Retention()
    removed = [_old_events(connection, now_ms - kept.events_ms, slice_rows)]
    removed.append(items.forget_before(connection, now_ms - kept.items_ms, slice_rows))
    # Older ones than this are refused when they are told again, so that nothing needs what was counted before.
    removed.append(item_readings.forget_before(connection, now_ms - max(kept.items_ms, kept.samples_ms), slice_rows))
    removed.append(deliveries.forget_before(connection, now_ms - kept.messages_ms, slice_rows))
    pushes.forget(connection, now_ms)
    sessions.forget(connection, now_ms)
    close_looks.forget(connection, now_ms)
    dropped: list[str] = []
    for table in partitions.UNITS:
        before_ms = now_ms - kept.of(table)
        if is_sqlite(connection):
            removed.append(_old_rows(connection, table, before_ms, slice_rows))
        else:
            dropped += partitions.drop_before(connection, table, before_ms)
    return Pruned(sum(removed), tuple(dropped), any(rows >= slice_rows for rows in removed))


def _old_rows(connection: Connection, table: str, before_ms: int, limit: int) -> int:
    owner, key, instant = _OWNERS[table]
    statement = text(
        f"DELETE FROM {table} WHERE rowid IN (SELECT old.rowid FROM {owner} CROSS JOIN {table} old"  # noqa: S608  # names from the table above
        f" ON old.{key} = {owner}.id AND old.{instant} < :before LIMIT :limit)"
    )
    return connection.execute(statement, {"before": before_ms, "limit": limit}).rowcount


def _old_events(connection: Connection, before_ms: int, limit: int) -> int:
    table = tables.events
    old = select(table.c.id).where(table.c.at_ms < before_ms).limit(limit)
    return connection.execute(delete(table).where(table.c.id.in_(old))).rowcount
