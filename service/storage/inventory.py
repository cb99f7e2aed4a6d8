"""Which devices, teams and ports there are, and which port belongs to which team."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import Connection, Select, func, select, text, update

from service.errors import NotFound
from service.storage import cursors, tables
from service.storage.database import is_sqlite
from service.storage.dialects import among, given
from service.storage.placing import Placed, layout
from service.storage.registration import register as registered
from service.storage.remembered import memory_of
from service.terms import Codes, Ints, PortName

__all__ = [
    "Device",
    "Placed",
    "Team",
    "decided",
    "devices",
    "hold_decided",
    "layout",
    "note_decided",
    "note_device",
    "note_samples",
    "places",
    "ports",
    "resolve",
    "team",
    "team_named",
    "teams",
]

devices_table, teams_table, ports_table, memberships = tables.devices, tables.teams, tables.ports, tables.memberships


class Device(NamedTuple):
    """A device as it is listed."""

    id: int
    name: str
    feed: str
    created_ms: int
    last_sample_ms: int | None
    last_received_ms: int | None
    interval_ms: int | None
    refresh_ms: int | None
    clock_offset_ms: int | None
    silent_since_ms: int | None
    teams: int
    ports: int


DEVICE_COLUMNS = tuple(devices_table.c[name] for name in Device._fields[:-2])


class Team(NamedTuple):
    """A team as it is listed; members by position, as in its windows."""

    id: int
    device: str
    name: str
    method: str
    bundle: str
    decided_ms: int | None
    members: tuple[str, ...]


def resolve(  # noqa: PLR0913  # what a batch brings, and what may become of it
    connection: Connection,
    names: Sequence[PortName],
    *,
    feed: str,
    now_ms: int,
    register: bool = True,
    register_teamless: bool = False,
) -> list[int]:
    """The id of each port, 0 where it is unknown and not registered.

    A port is registered when its name has device, port and team; one without a team only where
    `register_teamless` says so; never as the ninth member of a team. What a name says of team,
    method, bundle and index is kept where it is news.
    """
    memory = memory_of(connection)
    memory.age(now_ms)
    known = memory.ports
    ids = [entry[1] if (entry := known.get((n.device, n.port))) and entry[0] == n else 0 for n in names]
    if all(ids):
        return ids
    unsure = [name for name, port_id in zip(names, ids, strict=True) if not port_id]
    found = registered(connection, unsure, feed=feed, now_ms=now_ms, allow=(register, register_teamless))
    return [port_id or found.get(name, 0) for name, port_id in zip(names, ids, strict=True)]


def places(connection: Connection, port_ids: Codes) -> tuple[Codes, Codes]:
    """The device id and the team id (0 for none) of each port, both (n,)."""
    known = memory_of(connection).place_of_port
    wanted = port_ids.tolist()
    missing = {port_id for port_id in wanted if port_id not in known}
    asked: dict[int, tuple[int, int]] = {}
    if missing:
        query = (
            select(ports_table.c.id, ports_table.c.device_id, func.coalesce(memberships.c.team_id, 0))
            .outerjoin(memberships, (memberships.c.port_id == ports_table.c.id) & memberships.c.to_ms.is_(None))
            .where(among(connection, ports_table.c.id, sorted(missing)))
        )
        asked = {row[0]: (row[1], row[2]) for row in connection.execute(query)}
    both = np.array([known.get(one) or asked.get(one, (0, 0)) for one in wanted], dtype=np.int32).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def devices(connection: Connection, *, cursor: str | None = None, limit: int = 100) -> cursors.Page[Device]:
    """Devices by name."""
    team_count = select(func.count()).where(teams_table.c.device_id == devices_table.c.id).scalar_subquery()
    port_count = select(func.count()).where(ports_table.c.device_id == devices_table.c.id).scalar_subquery()
    query = select(*DEVICE_COLUMNS, team_count, port_count).order_by(devices_table.c.name).limit(limit + 1)
    if cursor is not None:
        query = query.where(devices_table.c.name > cursors.read(cursor, str)[0])
    found = [Device._make(row) for row in connection.execute(query)]
    return cursors.page(found, limit, [(device.name,) for device in found])


def teams(
    connection: Connection, *, device: str | None = None, cursor: str | None = None, limit: int = 100
) -> cursors.Page[Team]:
    """Teams by id, of one device or of all."""
    query = _teams().order_by(teams_table.c.id).limit(limit + 1)
    if device is not None:
        query = query.where(devices_table.c.name == device)
    if cursor is not None:
        query = query.where(teams_table.c.id > cursors.read(cursor, int)[0])
    found = _with_members(connection, connection.execute(query).all())
    return cursors.page(found, limit, [(team.id,) for team in found])


def team(connection: Connection, team_id: int) -> Team:
    """One team, or NotFound."""
    within = 0 < team_id < 2**31
    rows = connection.execute(_teams().where(teams_table.c.id == team_id)).all() if within else []
    found = _with_members(connection, rows)
    if not found:
        raise NotFound("team", str(team_id))
    return found[0]


def team_named(connection: Connection, device: str, name: str) -> int:
    """The id of a team by its name, or NotFound."""
    query = _teams().where((devices_table.c.name == device) & (teams_table.c.name == name))
    row = connection.execute(query).first()
    if row is None:
        raise NotFound("team", f"{device} {name}")
    return int(row.id)


def ports(connection: Connection, port_ids: Sequence[int]) -> dict[int, PortName]:
    """Ports by id, under the team they belong to now."""
    query = (
        select(
            ports_table.c.id,
            devices_table.c.name.label("device"),
            ports_table.c.name.label("port"),
            func.coalesce(teams_table.c.name, "").label("team"),
            func.coalesce(teams_table.c.method, "unknown").label("method"),
            func.coalesce(teams_table.c.bundle, "").label("bundle"),
            ports_table.c.if_index,
        )
        .join(devices_table, devices_table.c.id == ports_table.c.device_id)
        .outerjoin(memberships, (memberships.c.port_id == ports_table.c.id) & memberships.c.to_ms.is_(None))
        .outerjoin(teams_table, teams_table.c.id == memberships.c.team_id)
        .where(among(connection, ports_table.c.id, port_ids))
    )
    return {row.id: PortName(*row[1:]) for row in connection.execute(query)}


def note_samples(
    connection: Connection, device_ids: Codes, newest_ms: Ints, received_ms: int, *, feed: str | None = None
) -> None:
    """Note of each device the time of its newest sample, when something last came from it, and how the newest came.

    A device whose past was imported and that now sends is heard by what it sends, and its silence is missed.
    """
    source, told = given(connection, {"id": device_ids.tolist(), "newest_ms": newest_ms.tolist()})
    first, greatest = "", "max"
    if not is_sqlite(connection):
        # In one order whoever writes, or two batches of the same devices would wait for each other.
        first = (
            f"WITH noted AS MATERIALIZED (SELECT devices.id, newest_ms FROM {source} JOIN devices USING (id)"  # noqa: S608  # words from here
            " ORDER BY devices.id FOR UPDATE OF devices) "
        )
        source, greatest = "noted AS given", "greatest"
    statement = (
        f"{first}UPDATE devices SET last_sample_ms = {greatest}(coalesce(last_sample_ms, newest_ms), newest_ms),"  # noqa: S608  # words from here
        f" last_received_ms = {greatest}(coalesce(last_received_ms, :received_ms), CAST(:received_ms AS bigint)),"
        " feed = CASE WHEN newest_ms > coalesce(last_sample_ms, 0)"
        " THEN coalesce(CAST(:feed AS varchar(16)), feed) ELSE feed END"
        f" FROM {source} WHERE devices.id = given.id"
    )
    connection.execute(text(statement), {**told, "received_ms": received_ms, "feed": feed})


def note_device(connection: Connection, device_id: int, **told: int | None) -> None:
    """Note what the samples show of a device: interval_ms, refresh_ms, clock_offset_ms, silent_since_ms."""
    connection.execute(update(tables.devices).where(tables.devices.c.id == device_id).values(told))


def note_decided(connection: Connection, team_ids: Sequence[int], decided_ms: int) -> None:
    """Note that every window of these teams that ends by then has been evaluated; never moves back."""
    table = tables.teams
    connection.execute(
        update(table)
        .where(among(connection, table.c.id, sorted(team_ids)))
        .where(table.c.decided_ms.is_(None) | (table.c.decided_ms < decided_ms))
        .values(decided_ms=decided_ms)
    )


def decided(connection: Connection, team_ids: Sequence[int]) -> dict[int, int | None]:
    """By team, until when its windows have been evaluated; None where none was."""
    query = select(teams_table.c.id, teams_table.c.decided_ms).where(among(connection, teams_table.c.id, team_ids))
    return {row[0]: row[1] for row in connection.execute(query)}


def hold_decided(connection: Connection, team_ids: Sequence[int]) -> set[int | None]:
    """Until when the windows of these teams have been evaluated; nobody else can move that within this transaction."""
    query = select(teams_table.c.decided_ms).where(among(connection, teams_table.c.id, team_ids))
    return set(connection.scalars(query.order_by(teams_table.c.id).with_for_update(key_share=True)))


def _teams() -> Select[Any]:
    return select(
        teams_table.c.id,
        devices_table.c.name,
        teams_table.c.name,
        teams_table.c.method,
        teams_table.c.bundle,
        teams_table.c.decided_ms,
    ).join(devices_table, devices_table.c.id == teams_table.c.device_id)


def _with_members(connection: Connection, rows: Sequence[Any]) -> list[Team]:
    query = (
        select(memberships.c.team_id, ports_table.c.name)
        .join(ports_table, ports_table.c.id == memberships.c.port_id)
        .where(memberships.c.to_ms.is_(None), among(connection, memberships.c.team_id, [row[0] for row in rows]))
        .order_by(ports_table.c.id)
    )
    members: dict[int, list[str]] = {}
    for of_team, port in connection.execute(query):
        members.setdefault(of_team, []).append(port)
    return [Team._make((*row, tuple(members.get(row[0], ())))) for row in rows]
