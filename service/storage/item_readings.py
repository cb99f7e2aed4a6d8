"""The last running counters of each virtual port, from which the next are subtracted."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, delete, select, tuple_

from service.storage import tables
from service.storage.dialects import among, inserting

_table = tables.item_readings
_KEYS = ("device", "name")


class Last(NamedTuple):
    """A row of the table."""

    device: str
    name: str
    port: str
    at_ms: int
    out_octets: int
    in_octets: int


def of_devices(connection: Connection, devices: Collection[str]) -> dict[tuple[str, str], Last]:
    """The last reading of each virtual port of these devices, by device and name."""
    query = select(*(_table.c[name] for name in Last._fields)).where(
        among(connection, _table.c.device, sorted(devices))
    )
    return {(row.device, row.name): Last._make(row) for row in connection.execute(query)}


def keep(connection: Connection, rows: Sequence[Last]) -> None:
    """Keep these, each over the one before."""
    if rows:
        made = inserting(connection, _table)
        news = {name: made.excluded[name] for name in Last._fields if name not in _KEYS}
        statement = made.on_conflict_do_update(index_elements=list(_KEYS), set_=news)
        connection.execute(statement, [row._asdict() for row in sorted(rows)])


def forget_before(connection: Connection, at_ms: int, limit: int) -> int:
    """Keep no longer readings older than an instant, of virtual ports that are gone; how many went, at most `limit`."""
    old = select(_table.c.device, _table.c.name).where(_table.c.at_ms < at_ms).limit(limit)
    gone = delete(_table).where(tuple_(_table.c.device, _table.c.name).in_(old), _table.c.at_ms < at_ms)
    return connection.execute(gone).rowcount
