"""Memberships that changed, and ending those that nobody's samples end: a port that left may never be heard again."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, select, update

from service.storage import tables
from service.storage.dialects import among, serialise
from service.storage.registration import REGISTRATION_LOCK
from service.storage.remembered import mark_written, memory_of
from service.terms import PortName, Reconciled

# Devices that were made known by being polled: nobody else tells of their teams.
POLLED = "snmp"


def follow(connection: Connection, device: str, believed: Sequence[Reconciled], now_ms: int) -> tuple[str, ...]:
    """End the memberships of a device's ports that are believed to be in another team now, or in none; those ports.

    `believed` is all that is believed of the device's ports. Where a port is in a new team, its
    samples join it there. A device that tells of no teams at all takes no port out of a team that
    samples pushed by others put it into.
    """
    team_of = {one.port: one.team for one in believed}
    members = _members(connection, device)
    silent = not _tells_of_teams(believed) and any(feed != POLLED for _, _, _, feed in members)
    left = {
        port_id: port
        for port_id, port, team, _ in members
        if team_of.get(port, "") != team and not (silent and not team_of.get(port))
    }
    if left:
        serialise(connection, REGISTRATION_LOCK)
        mark_written(connection)
        memory_of(connection).forget(PortName(device, port) for port in left.values())
        _end(connection, sorted(left), now_ms)
    return tuple(left.values())


def changed_since(connection: Connection, at_ms: int) -> set[tuple[str, str]]:
    """Teams, by device and name, that a port left after an instant, or joined that was known before it did."""
    devices, teams, ports, members = tables.devices.c, tables.teams.c, tables.ports.c, tables.memberships.c
    joined = (members.from_ms > at_ms) & (members.from_ms > ports.created_ms)
    query = (
        select(devices.name, teams.name)
        .join(tables.teams, teams.device_id == devices.id)
        .join(tables.memberships, members.team_id == teams.id)
        .join(tables.ports, ports.id == members.port_id)
        .where(joined | (members.to_ms > at_ms))
    )
    return {(row[0], row[1]) for row in connection.execute(query)}


def _tells_of_teams(believed: Sequence[Reconciled]) -> bool:
    said = [one.discovered for one in believed if one.discovered is not None]
    return any(claim.team or claim.aggregate_of for claim in said)


def _members(connection: Connection, device: str) -> list[tuple[int, str, str, str]]:
    """Port id, port, team and the device's feed of each member, by port id."""
    devices, teams, ports, members = tables.devices.c, tables.teams.c, tables.ports.c, tables.memberships.c
    query = (
        select(ports.id, ports.name, teams.name, devices.feed)
        .join(tables.memberships, members.port_id == ports.id)
        .join(tables.teams, teams.id == members.team_id)
        .join(tables.devices, devices.id == ports.device_id)
        .where(devices.name == device, members.to_ms.is_(None))
        .order_by(ports.id)
    )
    return [(row[0], row[1], row[2], row[3]) for row in connection.execute(query)]


def _end(connection: Connection, port_ids: Sequence[int], now_ms: int) -> None:
    members = tables.memberships
    ended = update(members).where(among(connection, members.c.port_id, port_ids), members.c.to_ms.is_(None))
    connection.execute(ended.values(to_ms=now_ms))
