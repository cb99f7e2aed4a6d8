"""What is worth knowing about the data of a device, each said once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, select

from service.storage import cursors, tables
from service.storage.dialects import among, inserting, was_inserted
from service.terms import DataEvent

_table, _devices = tables.events, tables.devices


class Kept(NamedTuple):
    """An event with the id that orders those of one instant."""

    id: int
    event: DataEvent


def keep(connection: Connection, events: Sequence[DataEvent]) -> int:
    """Keep what was not known yet, by device, port, time and kind; how many were new.

    Nothing is kept of a device that is not known.
    """
    names = sorted({event.device for event in events})
    query = select(_devices.c.name, _devices.c.id).where(among(connection, _devices.c.name, names))
    ids = {row.name: row.id for row in connection.execute(query)}
    new = 0
    for event in events:
        if event.device in ids:
            told = {"device_id": ids[event.device], "port": event.port, "at_ms": event.at_ms}
            statement = inserting(connection, _table).values(**told, kind=event.kind, text=event.text)
            new += was_inserted(connection, statement)
    return new


def times(connection: Connection, kind: str, devices: Iterable[str], from_ms: int, to_ms: int) -> dict[str, list[int]]:
    """By device, when something of a kind happened within [from_ms, to_ms]; devices without are left out."""
    query = (
        select(_devices.c.name, _table.c.at_ms)
        .join(_devices, _devices.c.id == _table.c.device_id)
        .where(_table.c.kind == kind, _table.c.at_ms.between(from_ms, to_ms))
        .where(among(connection, _devices.c.name, sorted(set(devices))))
    )
    found: dict[str, list[int]] = {}
    for name, at_ms in connection.execute(query):
        found.setdefault(name, []).append(at_ms)
    return found


def ports(connection: Connection, kind: str, devices: Iterable[str], since_ms: int) -> dict[str, set[str]]:
    """By device, the ports to which something of a kind happened since then; devices without are left out."""
    query = (
        select(_devices.c.name, _table.c.port)
        .distinct()
        .join(_devices, _devices.c.id == _table.c.device_id)
        .where(_table.c.kind == kind, _table.c.at_ms >= since_ms)
        .where(among(connection, _devices.c.name, sorted(set(devices))))
    )
    found: dict[str, set[str]] = {}
    for name, port in connection.execute(query):
        found.setdefault(name, set()).add(port)
    return found


def listing(  # noqa: PLR0913  # each filter by its name
    connection: Connection,
    *,
    device: str | None = None,
    ports: Iterable[str] | None = None,
    kind: str | None = None,
    since_ms: int | None = None,
    cursor: str | None = None,
    limit: int = 100,
) -> cursors.Page[Kept]:
    """Events, the newest first; of some ports only where they are named, the empty name for the device as a whole."""
    query = select(_table.c.id, _devices.c.name, _table.c.port, _table.c.at_ms, _table.c.kind, _table.c.text)
    query = query.join(_devices, _devices.c.id == _table.c.device_id)
    if device is not None:
        query = query.where(_devices.c.name == device)
    if ports is not None:
        query = query.where(among(connection, _table.c.port, sorted(set(ports))))
    if kind is not None:
        query = query.where(_table.c.kind == kind)
    if since_ms is not None:
        query = query.where(_table.c.at_ms >= since_ms)
    if cursor is not None:
        at_ms, event_id = cursors.read(cursor, int, int)
        query = query.where((_table.c.at_ms < at_ms) | ((_table.c.at_ms == at_ms) & (_table.c.id < event_id)))
    query = query.order_by(_table.c.at_ms.desc(), _table.c.id.desc()).limit(limit + 1)
    found = [Kept(row[0], DataEvent(*row[1:])) for row in connection.execute(query)]
    return cursors.page(found, limit, [(kept.event.at_ms, kept.id) for kept in found])
