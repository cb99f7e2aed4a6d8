"""Keeping pushed items: checked against the clock and the inventory, running counters made into octets of a stretch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from sqlalchemy import Connection, Engine

from service.feeds.items import CounterReading, ToldItems
from service.feeds.limits import IngestLimits
from service.storage import database, inventory, item_readings, items
from service.storage.item_readings import Last
from service.terms import EGRESS, INGRESS, VIRTUAL_PORT, ItemReading, PortName, Reject

# Counters further apart say too little about when the octets passed.
MOST_APART_MS = 3_600_000


@dataclass(frozen=True)
class Taken:
    """What became of a batch: how many items are new, how many were known, and which were not taken."""

    accepted: int
    duplicates: int
    rejected: tuple[Reject, ...]


@dataclass
class _Batch:
    """What is to be kept, and what was refused on the way."""

    last: dict[tuple[str, str], Last]
    rejected: list[Reject]
    placed: list[tuple[int, ItemReading]] = field(default_factory=list)
    subtracted: list[tuple[int, ItemReading]] = field(default_factory=list)
    counters: int = 0
    known: int = 0


def keep(engine: Engine, told: ToldItems, now_ms: int, limits: IngestLimits) -> Taken:
    """Keep what was told, in one transaction, and say what became of it."""
    return database.retried(engine, lambda connection: _kept(connection, told, now_ms, limits))


def _kept(connection: Connection, told: ToldItems, now_ms: int, limits: IngestLimits) -> Taken:
    ports = _ports(connection, told, now_ms)
    batch = _Batch(item_readings.of_devices(connection, {one.device for one in told.counters}), [*told.rejects])
    for index, reading in told.readings:
        if refused := _refusal(ports, (reading.device, reading.port), reading.end_ms, now_ms, limits):
            batch.rejected.append(Reject(index, refused))
        else:
            batch.placed.append((ports[reading.device, reading.port], reading))
    for one in sorted(told.counters, key=lambda one: one.at_ms):
        if refused := _refusal(ports, (one.device, one.port), one.at_ms, now_ms, limits):
            batch.rejected.append(Reject(one.index, refused))
        else:
            _subtract(batch, one, ports[one.device, one.port])
    own = items.keep(connection, batch.placed)
    items.keep(connection, batch.subtracted)
    item_readings.keep(connection, list(batch.last.values()))
    rejected = tuple(sorted(batch.rejected, key=lambda reject: reject.index))
    return Taken(own.accepted + batch.counters, own.duplicates + batch.known, rejected)


def _ports(connection: Connection, told: ToldItems, now_ms: int) -> dict[tuple[str, str], int]:
    """The ids of the members that are named and known, by device and port."""
    named: Iterable[ItemReading | CounterReading] = [*(reading for _, reading in told.readings), *told.counters]
    places = sorted({(one.device, one.port) for one in named})
    names = [PortName(device, port, "") for device, port in places]
    ids = inventory.resolve(connection, names, feed="push", now_ms=now_ms, register=False)
    return {place: port_id for place, port_id in zip(places, ids, strict=True) if port_id}


def _refusal(
    ports: dict[tuple[str, str], int], place: tuple[str, str], at_ms: int, now_ms: int, limits: IngestLimits
) -> str:
    if place not in ports:
        device, port = place
        return f"device {device!r} has no port {port!r} here; name the member as its samples do, and send those first"
    if at_ms > now_ms + limits.future_ms:
        return "lies in the future; set the clock of the source right"
    if at_ms < now_ms - limits.retention_ms:
        return "is older than samples are kept"
    return ""


def _subtract(batch: _Batch, one: CounterReading, port_id: int) -> None:
    """The octets since the reading before, where they are known to have passed this member."""
    before = batch.last.get((one.device, one.name))
    if before is not None and one.at_ms <= before.at_ms:
        batch.known += 1
        return
    batch.counters += 1
    batch.last[one.device, one.name] = Last(one.device, one.name, one.port, one.at_ms, one.out_octets, one.in_octets)
    if before is not None and before.port == one.port and one.at_ms - before.at_ms <= MOST_APART_MS:
        batch.subtracted += [(port_id, reading) for reading in _since(before, one)]


def _since(before: Last, one: CounterReading) -> Iterator[ItemReading]:
    """A counter that fell was reset: then nobody knows what passed."""
    for direction, old, new in (
        (EGRESS, before.out_octets, one.out_octets),
        (INGRESS, before.in_octets, one.in_octets),
    ):
        if new >= old:
            stretch = (before.at_ms, one.at_ms, new - old)
            yield ItemReading(one.device, one.port, direction, VIRTUAL_PORT, one.name, *stretch, source="push")
