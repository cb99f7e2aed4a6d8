"""How much room what is kept takes on disk."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import Connection, func, select, text
from sqlalchemy.exc import DBAPIError

from service.storage import tables
from service.storage.database import is_sqlite

OWNERS = {
    "samples": (tables.samples.c.port_id, tables.samples.c.at_ms),
    "windows": (tables.windows.c.team_id, tables.windows.c.start_ms),
    "rollups": (tables.rollups.c.team_id, tables.rollups.c.start_ms),
}
LOOKED_AT = 50  # owners whose first and last rows tell how far back a table goes
_OF_POSTGRESQL = text(
    "SELECT sum(pg_total_relation_size(c.oid)) FROM pg_class c LEFT JOIN pg_inherits i ON i.inhrelid = c.oid"
    " WHERE c.relkind = 'r' AND (c.relname = :table OR i.inhparent = CAST(:table AS regclass))"
)
_OF_SQLITE = text(
    "SELECT sum(pgsize) FROM dbstat WHERE aggregate = 1"
    " AND name IN (SELECT name FROM sqlite_schema WHERE tbl_name = :table)"
)


class Room(NamedTuple):
    """What rows of one table take, in octets, with indexes; and between which instants they lie, if there are any."""

    table: str
    octets: int
    oldest_ms: int | None = None
    newest_ms: int | None = None


def taken(connection: Connection) -> tuple[Room, ...]:
    """What samples, windows and roll-ups take, and at last all else together; () where SQLite was built to not know."""
    try:
        with connection.begin_nested():
            rooms = [Room(table, _octets(connection, table), *_span(connection, table)) for table in OWNERS]
    except DBAPIError:
        return ()
    return (*rooms, Room("", max(0, whole(connection) - sum(room.octets for room in rooms))))


def whole(connection: Connection) -> int:
    """What the database takes, in octets."""
    pages = "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()"
    query = pages if is_sqlite(connection) else "SELECT pg_database_size(current_database())"
    return int(connection.scalar(text(query)) or 0)


def begun_ms(connection: Connection) -> int | None:
    """When the first device was heard of; None where none was."""
    found: int | None = connection.scalar(select(func.min(tables.devices.c.created_ms)))
    return found


def _octets(connection: Connection, table: str) -> int:
    query = _OF_SQLITE if is_sqlite(connection) else _OF_POSTGRESQL
    return int(connection.scalar(query, {"table": table}) or 0)


def _span(connection: Connection, table: str) -> tuple[int | None, int | None]:
    owner, at_ms = OWNERS[table]
    known = tables.ports.c.id if table == "samples" else tables.teams.c.id
    some = select(known).order_by(known).limit(LOOKED_AT)
    row = connection.execute(select(func.min(at_ms), func.max(at_ms)).where(owner.in_(some))).one()
    return row[0], row[1]
