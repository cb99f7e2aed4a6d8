"""Exporters as the process that hears them last noted them, one row an address and protocol."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, bindparam, delete, select

from service.storage import tables
from service.storage.dialects import among, inserting
from service.terms import DISCOVERED

_table = tables.exporters
_KEYS = ("address", "protocol")
MOST_STRANGERS = 100  # rows of addresses that no setting names; anybody can send from any number of them
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


class Place(NamedTuple):
    """A member: the id of its port, its device and its name."""

    port_id: int
    device: str
    port: str


def members(connection: Connection, devices: Collection[str]) -> dict[tuple[str, int], Place]:
    """The members of teams of these devices, by device and ifIndex, as samples or discovery told it."""
    owners, ports, memberships, claims = tables.devices, tables.ports, tables.memberships, tables.claims
    query = (
        select(ports.c.id, owners.c.name, ports.c.name.label("port"), ports.c.if_index, claims.c.if_index.label("said"))
        .join(owners, owners.c.id == ports.c.device_id)
        .join(memberships, (memberships.c.port_id == ports.c.id) & memberships.c.to_ms.is_(None))
        .outerjoin(
            claims,
            (claims.c.device == owners.c.name) & (claims.c.port == ports.c.name) & (claims.c.said_by == DISCOVERED),
        )
        .where(among(connection, owners.c.name, sorted(devices)))
    )
    rows = connection.execute(query).all()
    return {(row.name, index): Place(row.id, row.name, row.port) for row in rows if (index := row.if_index or row.said)}


def note(connection: Connection, news: Sequence[Heard]) -> None:
    """Add what was counted since the last time; the trouble stays until there is another.

    Of addresses that no setting names, those that were heard last stay.
    """
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
    if not all(row["device"] for row in rows):
        _forget_strangers(connection)


def _forget_strangers(connection: Connection) -> None:
    """Keep the rows of the strangers that were heard last."""
    strangers = select(_table.c.address, _table.c.protocol).where(_table.c.device == "")
    latest_first = strangers.order_by(_table.c.heard_ms.desc(), _table.c.address, _table.c.protocol)
    gone = [row._asdict() for row in connection.execute(latest_first.offset(MOST_STRANGERS))]
    if gone:
        here = [_table.c[name] == bindparam(f"old_{name}") for name in _KEYS]
        old = [{f"old_{name}": told for name, told in row.items()} for row in gone]
        connection.execute(delete(_table).where(_table.c.device == "", *here), old)


def listing(connection: Connection) -> list[Heard]:
    """All of them, by address."""
    query = select(*(_table.c[name] for name in Heard._fields)).order_by(_table.c.address, _table.c.protocol)
    return [Heard._make(row) for row in connection.execute(query)]
