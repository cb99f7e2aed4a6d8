"""Devices as sources of samples: how they are polled, what their latest samples tell, and what of it is doubted."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, func, select

from service.errors import NotFound
from service.storage import events, facts, inventory, samples, tables, windows
from service.storage.agents import Polling
from service.storage.dialects import among
from service.storage.inventory import DEVICE_COLUMNS, Device
from service.terms import DISCARDS, ERRORS, PACKETS, UNKNOWN, Counts, FactsTable, Mark, Samples

_devices, _ports, _teams, _agents = tables.devices, tables.ports, tables.teams, tables.agents
# A port that has told nothing for longer says nothing of what its source tells now.
LATEST_WITHIN_MS = 3_600_000
DOUBTFUL = "speed-doubtful"


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
    query = select(*DEVICE_COLUMNS, *(count.scalar_subquery() for count in counted)).where(_devices.c.id == device_id)
    row = connection.execute(query).first()
    if row is None:
        raise NotFound("device", str(device_id))
    return Device._make(row)


def polled(connection: Connection, devices: Collection[str]) -> dict[str, Polling]:
    """By name, how the polling of devices goes; those that nobody polls are left out."""
    query = select(*(_agents.c[name] for name in Polling._fields)).where(among(connection, _agents.c.device, devices))
    rows = connection.execute(query)
    return {row.device: Polling._make((*row[:-1], tuple(json.loads(row.notes)))) for row in rows}


def doubted(connection: Connection, devices: Mapping[str, int], since_ms: int, width_ms: int) -> dict[str, list[str]]:
    """By device, the ports whose claimed speed was doubted since then, or still is in the last windows decided.

    `devices` has the ids of devices by name; those without such a port are left out.
    """
    told = events.ports(connection, DOUBTFUL, devices, since_ms)
    query = select(_teams.c.id, _teams.c.decided_ms).where(among(connection, _teams.c.device_id, devices.values()))
    decided = {row.id: row.decided_ms for row in connection.execute(query.where(_teams.c.decided_ms >= since_ms))}
    if decided:
        last_ms = max(decided.values())
        teams = np.array(list(decided), dtype=np.int32)
        kept = windows.read_many(connection, teams, last_ms - 2 * width_ms, last_ms, width_ms)
        there = ((kept.members.marks & np.uint16(Mark.SPEED_DOUBTFUL)) != 0).any(axis=1)
        for name in inventory.ports(connection, kept.port_ids[there].tolist()).values():
            told.setdefault(name.device, set()).add(name.port)
    return {device: sorted(found) for device, found in told.items()}


def told(connection: Connection, newest_ms: Mapping[int, int]) -> dict[int, Told]:
    """By device id, what its latest samples tell, given when the newest is of; devices without any are left out."""
    query = select(_ports.c.id, _ports.c.device_id).where(among(connection, _ports.c.device_id, list(newest_ms)))
    seats = connection.execute(query.order_by(_ports.c.id)).all()
    if not seats:
        return {}
    port_ids = np.array([row.id for row in seats], dtype=np.int32)
    before = np.array([newest_ms[row.device_id] + 1 for row in seats], dtype=np.int64)
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
