"""How far two readings of the same traffic agreed when they were last compared."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, delete, select

from service.storage import tables
from service.storage.dialects import among, inserting

SUM, CABLE = "sum", "cable"
_table = tables.agreements
_KEYS = ("what", "device", "name", "direction")


class Agreement(NamedTuple):
    """A row of the table: `what` is SUM or CABLE, `name` the team or the port, `difference` a share of the larger."""

    what: str
    device: str
    name: str
    direction: int
    against: str
    here_bps: int
    there_bps: int
    difference: float
    agrees: bool
    at_ms: int


def keep(connection: Connection, rows: Sequence[Agreement]) -> None:
    """Keep these, each over what was compared before of the same."""
    if rows:
        made = inserting(connection, _table)
        news = {column.name: made.excluded[column.name] for column in _table.columns if column.name not in _KEYS}
        statement = made.on_conflict_do_update(index_elements=list(_KEYS), set_=news)
        connection.execute(statement, [row._asdict() for row in sorted(rows)])


def forget_before(connection: Connection, at_ms: int) -> None:
    """Keep no longer what was last compared before an instant."""
    connection.execute(delete(_table).where(_table.c.at_ms < at_ms))


def of_devices(connection: Connection, devices: Collection[str], what: str | None = None) -> list[Agreement]:
    """What was compared of these devices, in the order of the key."""
    query = select(*(_table.c[name] for name in Agreement._fields))
    query = query.where(among(connection, _table.c.device, sorted(devices)))
    if what is not None:
        query = query.where(_table.c.what == what)
    return [Agreement._make(row) for row in connection.execute(query.order_by(*(_table.c[name] for name in _KEYS)))]
