"""Exporters as the process that hears them last noted them, one row an address and protocol."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection, select

from service.storage import tables
from service.storage.dialects import inserting

_table = tables.exporters
_KEYS = ("address", "protocol")
_COUNTS = ("datagrams", "records", "lost", "refused", "unplaced")


class Heard(NamedTuple):
    """What came of an exporter: counts since the row before, or since ever where the row itself is read."""

    address: str
    protocol: str  # ipfix or sflow
    device: str
    heard_ms: int
    datagrams: int = 0
    records: int = 0
    lost: int = 0  # by sequence numbers
    refused: int = 0  # datagrams, or parts of them, that could not be read
    unplaced: int = 0  # records of no member that is known
    trouble: str = ""  # the last thing that was the matter


def note(connection: Connection, news: Sequence[Heard]) -> None:
    """Add what was counted since the last time; the trouble stays until there is another."""
    if not news:
        return
    made = inserting(connection, _table)
    told: dict[str, object] = {name: _table.c[name] + made.excluded[name] for name in _COUNTS}
    told |= {name: made.excluded[name] for name in ("device", "heard_ms")}
    rows = [row._asdict() for row in sorted(news)]
    connection.execute(made.on_conflict_do_update(index_elements=list(_KEYS), set_=told), rows)
    troubled = [row for row in rows if row["trouble"]]
    if troubled:
        only = {"trouble": made.excluded.trouble}
        connection.execute(made.on_conflict_do_update(index_elements=list(_KEYS), set_=only), troubled)


def listing(connection: Connection) -> list[Heard]:
    """All of them, by address."""
    query = select(*(_table.c[name] for name in Heard._fields)).order_by(_table.c.address, _table.c.protocol)
    return [Heard._make(row) for row in connection.execute(query)]
