"""What the latest sample of each port tells, for those who ask by name."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection, func, select

from service.storage import facts, samples, tables
from service.storage.dialects import among
from service.terms import Role

AHEAD_MS = 3_600_000  # further ahead of our time than any sample that is taken
NEVER = -1
Place = tuple[str, str]  # device, port


class Heard(NamedTuple):
    """A port that has sent samples: its id, its team now, and what the latest sample told; NEVER where it is too old.

    `device_ms` is when anything of its device was last heard.
    """

    port_id: int
    team: str
    device_ms: int
    at_ms: int = NEVER
    role: Role = Role.NOT_TOLD
    speed_bps: int = 0


def latest(connection: Connection, devices: Collection[str], since_ms: int, now_ms: int) -> dict[Place, Heard]:
    """By device and port, what was last heard of the ports of these devices, looking back to `since_ms`."""
    return _with_samples(connection, known(connection, devices), since_ms, now_ms)


def latest_of(connection: Connection, places: Collection[Place], since_ms: int, now_ms: int) -> dict[Place, Heard]:
    """The same of these ports only."""
    every = known(connection, {device for device, _ in places})
    return _with_samples(connection, {place: every[place] for place in places if place in every}, since_ms, now_ms)


def _with_samples(connection: Connection, rows: dict[Place, Heard], since_ms: int, now_ms: int) -> dict[Place, Heard]:
    if not rows:
        return {}
    port_ids = np.array([heard.port_id for heard in rows.values()], dtype=np.int32)
    found = samples.last_before(connection, port_ids, now_ms + AHEAD_MS, not_before_ms=since_ms)
    found, table = facts.pointed(connection, found)
    places = list(rows)
    told = (found.port, found.at_ms, table.role[found.facts], table.speed_bps[found.facts])
    for port, at_ms, role, speed_bps in zip(*(column.tolist() for column in told), strict=True):
        port_id, team, device_ms, *_ = rows[places[port]]
        rows[places[port]] = Heard(port_id, team, device_ms, at_ms, Role(role), speed_bps)
    return rows


def known(connection: Connection, devices: Collection[str]) -> dict[Place, Heard]:
    """The same of all ports of these devices that were ever registered, without a look at samples."""
    owners, teams, ports, members = tables.devices.c, tables.teams.c, tables.ports.c, tables.memberships.c
    query = (
        select(
            owners.name,
            ports.name,
            ports.id,
            func.coalesce(teams.name, ""),
            func.coalesce(owners.last_sample_ms, NEVER),
        )
        .join(tables.devices, owners.id == ports.device_id)
        .outerjoin(tables.memberships, (members.port_id == ports.id) & members.to_ms.is_(None))
        .outerjoin(tables.teams, teams.id == members.team_id)
        .where(among(connection, owners.name, sorted(devices)))
        .order_by(ports.id)
    )
    return {(row[0], row[1]): Heard(*row[2:]) for row in connection.execute(query)}
