"""Devices as sources of samples: one by its id, the silent ones, and what their latest samples tell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, func, select

from service.errors import NotFound
from service.storage import facts, samples, tables
from service.storage.dialects import among
from service.storage.inventory import Device
from service.terms import DISCARDS, ERRORS, PACKETS, UNKNOWN, Counts, FactsTable, Samples

_devices, _ports = tables.devices, tables.ports
# A port that has told nothing for longer says nothing of what its source tells now.
LATEST_WITHIN_MS = 3_600_000


class Silent(NamedTuple):
    """A device that has fallen silent, and since when."""

    id: int
    name: str
    silent_since_ms: int


class Told(NamedTuple):
    """What the latest samples of a device tell; true where all of its ports tell it."""

    packets: bool
    discards: bool
    errors: bool
    speed: bool
    uptime: bool
    status: bool
    wide: bool  # 64-bit counters
    frames: bool  # octets include header and check sequence


def device(connection: Connection, device_id: int) -> Device:
    """One device, or NotFound."""
    counted = (select(func.count()).where(owned.c.device_id == _devices.c.id) for owned in (tables.teams, _ports))
    query = select(_devices, *(count.scalar_subquery() for count in counted)).where(_devices.c.id == device_id)
    row = connection.execute(query).first()
    if row is None:
        raise NotFound("device", str(device_id))
    return Device(*row)


def silent(connection: Connection, limit: int = 100) -> tuple[Silent, ...]:
    """Devices that are silent now, the longest silent first."""
    since = _devices.c.silent_since_ms
    query = select(_devices.c.id, _devices.c.name, since).where(since.is_not(None))
    return tuple(Silent._make(row) for row in connection.execute(query.order_by(since, _devices.c.id).limit(limit)))


def told(connection: Connection, devices: Sequence[Device]) -> dict[int, Told]:
    """By device id, what its latest samples tell; devices without any are left out."""
    newest = {one.id: one.last_sample_ms for one in devices if one.last_sample_ms is not None}
    query = select(_ports.c.id, _ports.c.device_id).where(among(connection, _ports.c.device_id, list(newest)))
    seats = connection.execute(query.order_by(_ports.c.id)).all()
    if not seats:
        return {}
    port_ids = np.array([row.id for row in seats], dtype=np.int32)
    before = np.array([newest[row.device_id] + 1 for row in seats], dtype=np.int64)
    latest = samples.last_before(connection, port_ids, before, not_before_ms=int(before.min()) - LATEST_WITHIN_MS)
    fresh = latest.take(latest.at_ms >= before[latest.port] - LATEST_WITHIN_MS)
    table = facts.table(connection, fresh.facts)
    owner = np.array([row.device_id for row in seats], dtype=np.int64)[fresh.port]
    return {int(one): _told(fresh, table, np.flatnonzero(owner == one)) for one in np.unique(owner)}


def _told(latest: Samples, table: FactsTable, rows: npt.NDArray[np.intp]) -> Told:
    known, uptime = latest.known[rows], latest.uptime_ticks[rows]

    def has(measure: int) -> bool:
        """Whether all tell it in one direction at least; a counter's column is 2 * measure + direction."""
        return bool(((known >> np.uint16(2 * measure)) & np.uint16(3) != 0).all())

    return Told(
        packets=has(PACKETS),
        discards=has(DISCARDS),
        errors=has(ERRORS),
        speed=bool((table.speed_bps[rows] > 0).all()),
        uptime=bool((uptime != UNKNOWN).all()),
        status=bool((table.oper[rows] != 0).all()),
        wide=bool((table.counter_bits[rows] == 64).all()),
        frames=bool((table.counts[rows] == Counts.FRAME).all()),
    )
