"""Who changed what and when; lines are only ever added."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, insert, select

from service.storage import cursors, tables

_table = tables.audit


class Entry(NamedTuple):
    """One thing that somebody did."""

    id: int
    at_ms: int
    who: str
    what: str
    target: str
    details: dict[str, Any]


def note(  # noqa: PLR0913, PLR0917  # one line, value by value
    connection: Connection, at_ms: int, who: str, what: str, target: str, details: Mapping[str, Any] | None = None
) -> None:
    """Add a line."""
    told = {"at_ms": at_ms, "who": who, "what": what, "target": target, "details": json.dumps(details or {})}
    connection.execute(insert(_table).values(told))


def last(connection: Connection, what: str, target: str) -> Entry | None:
    """The last line of a kind about something."""
    query = _lines().where(_table.c.what == what, _table.c.target == target).limit(1)
    row = connection.execute(query).first()
    return _read(row) if row else None


def listing(connection: Connection, *, cursor: str | None = None, limit: int = 100) -> cursors.Page[Entry]:
    """Lines, the last one first."""
    query = _lines().limit(limit + 1)
    if cursor is not None:
        query = query.where(_table.c.id < cursors.read(cursor, int)[0])
    found = [_read(row) for row in connection.execute(query)]
    return cursors.page(found, limit, [(entry.id,) for entry in found])


def _lines() -> Select[Any]:
    return select(*(_table.c[name] for name in Entry._fields)).order_by(_table.c.id.desc())


def _read(row: Any) -> Entry:
    return Entry._make((*row[:5], json.loads(row[5])))
