"""Making devices, teams, ports and memberships known, from the names that samples bring."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Table, insert, select, update

from service.storage import claims, tables
from service.storage.dialects import among, inserting, serialise
from service.storage.remembered import mark_written, may_remember, memory_of
from service.terms import MOST_MEMBERS, PortName

REGISTRATION_LOCK = 6_207_114_512
# (port id, team id): what a port has been a member of until now.
Place = tuple[int, str]


@dataclass
class Known:
    """What the database knows of the devices that some names speak of; names to ids."""

    devices: dict[str, int]
    teams: dict[Place, Any]
    ports: dict[Place, Any]
    team_of_port: dict[int, int]  # open memberships only
    sizes: dict[int, int]  # members of each team


def register(
    connection: Connection, names: Sequence[PortName], *, feed: str, now_ms: int, allow: tuple[bool, bool]
) -> dict[PortName, int]:
    """The ids of these ports, those that are new registered; `allow` says whether, and whether those of no team too."""
    known = _read(connection, names)
    moment = _Moment(feed, now_ms, *allow)
    seats = _believed(connection, names)
    news = [seats[name] for name in names if _is_news(seats[name], known) and _may_register(name, known, moment)]
    if news:
        # Two batches that bring the same new port must not both register it.
        serialise(connection, REGISTRATION_LOCK)
        mark_written(connection)
        memory_of(connection).forget(news)
        _write(connection, news, moment)
        known = _read(connection, names)
    found = {name: row.id for name in names if (row := known.ports.get((known.devices.get(name.device, 0), name.port)))}
    if may_remember(connection):
        _remember(connection, seats, known, found)
    return found


@dataclass(frozen=True)
class _Moment:
    feed: str
    now_ms: int
    register: bool
    teamless: bool


def _believed(connection: Connection, names: Sequence[PortName]) -> dict[PortName, PortName]:
    """Each name with the team that is believed: a declaration may override, and a team's interface is no member."""
    devices = {name.device for name in names}
    declared, whole = claims.overriding(connection, devices), claims.interfaces(connection, devices)

    def seat(name: PortName) -> PortName:
        place = (name.device, name.port)
        if place in whole:
            return replace(name, team="", method="unknown", bundle="")
        team = declared[place].team if place in declared else ""
        return replace(name, team=team, method="unknown", bundle="") if team not in {"", name.team} else name

    return {name: seat(name) for name in names}


def _remember(
    connection: Connection, seats: Mapping[PortName, PortName], known: Known, found: dict[PortName, int]
) -> None:
    memory = memory_of(connection)
    for name, believed in seats.items():
        port_id = found.get(name)
        # A name that still says something new (a ninth member, say) is looked at again the next time.
        if port_id and not _is_news(believed, known):
            memory.ports[(name.device, name.port)] = (name, port_id)
            memory.place_of_port[port_id] = (known.devices[name.device], known.team_of_port.get(port_id, 0))


def _read(connection: Connection, names: Collection[PortName]) -> Known:
    devices, teams, ports, members = tables.devices, tables.teams, tables.ports, tables.memberships
    wanted = sorted({name.device for name in names})
    device_rows = connection.execute(
        select(devices.c.id, devices.c.name).where(among(connection, devices.c.name, wanted))
    ).all()
    ids = [row.id for row in device_rows]
    team_rows = connection.execute(select(teams).where(among(connection, teams.c.device_id, ids))).all()
    port_rows = connection.execute(select(ports).where(among(connection, ports.c.device_id, ids))).all()
    open_members = connection.execute(
        select(members.c.port_id, members.c.team_id)
        .join(teams, teams.c.id == members.c.team_id)
        .where(members.c.to_ms.is_(None), among(connection, teams.c.device_id, ids))
    ).all()
    sizes: dict[int, int] = {}
    for row in open_members:
        sizes[row.team_id] = sizes.get(row.team_id, 0) + 1
    return Known(
        {row.name: row.id for row in device_rows},
        {(row.device_id, row.name): row for row in team_rows},
        {(row.device_id, row.name): row for row in port_rows},
        {row.port_id: row.team_id for row in open_members},
        sizes,
    )


def _is_news(name: PortName, known: Known) -> bool:
    device = known.devices.get(name.device, 0)
    port, team = known.ports.get((device, name.port)), known.teams.get((device, name.team))
    if port is None or name.if_index not in (0, port.if_index):
        return True
    if not name.team:
        return False
    if team is None or known.team_of_port.get(port.id) != team.id:
        return True
    return name.method not in ("unknown", team.method) or name.bundle not in ("", team.bundle)


def _write(connection: Connection, names: Sequence[PortName], moment: _Moment) -> None:
    made = {"created_ms": moment.now_ms}
    _add(connection, tables.devices, [{"name": n.device, "feed": moment.feed, **made} for n in names])
    device = _read(connection, names).devices
    teams = [_named(device, n, n.team) | {"method": n.method, "bundle": n.bundle, **made} for n in names if n.team]
    _add(connection, tables.teams, teams)
    names = _with_room(names, _read(connection, names))
    _add(connection, tables.ports, [_named(device, n, n.port) | {"if_index": n.if_index, **made} for n in names])
    known = _read(connection, names)
    _describe(connection, names, known)
    _join(connection, names, known, moment.now_ms)


def _named(device: dict[str, int], name: PortName, own: str) -> dict[str, Any]:
    return {"device_id": device[name.device], "name": own}


def _may_register(name: PortName, known: Known, moment: _Moment) -> bool:
    if not moment.register or not name.device or not name.port:
        return False
    if name.team or moment.teamless:
        return True
    return (known.devices.get(name.device, 0), name.port) in known.ports


def _with_room(names: Sequence[PortName], known: Known) -> list[PortName]:
    """The names that do not make a ninth member of a team; a port that is known stays where it was instead."""
    sizes, taken = dict(known.sizes), []
    for name in names:
        device = known.devices[name.device]
        port, team = known.ports.get((device, name.port)), known.teams.get((device, name.team))
        if team is None or (port is not None and known.team_of_port.get(port.id) == team.id):
            taken.append(name)
        elif sizes.get(team.id, 0) < MOST_MEMBERS:
            sizes[team.id] = sizes.get(team.id, 0) + 1
            taken.append(name)
    return taken


def _add(connection: Connection, table: Table, rows: Sequence[dict[str, Any]]) -> None:
    distinct = list({(row.get("device_id"), row["name"]): row for row in rows}.values())
    if distinct:
        connection.execute(inserting(connection, table).on_conflict_do_nothing(), distinct)


def _describe(connection: Connection, names: Sequence[PortName], known: Known) -> None:
    for name in names:
        device = known.devices[name.device]
        port, team = known.ports[(device, name.port)], known.teams.get((device, name.team))
        if name.if_index not in (0, port.if_index):
            _set(connection, tables.ports, port.id, {"if_index": name.if_index})
        if name.team and team is not None:
            _describe_team(connection, name, team)


def _describe_team(connection: Connection, name: PortName, team: Any) -> None:
    told = {"method": name.method} if name.method not in ("unknown", team.method) else {}
    if name.bundle not in ("", team.bundle):
        told["bundle"] = name.bundle
    if told:
        _set(connection, tables.teams, team.id, told)


def _set(connection: Connection, table: Table, row_id: int, told: dict[str, Any]) -> None:
    connection.execute(update(table).where(table.c.id == row_id).values(told))


def _join(connection: Connection, names: Sequence[PortName], known: Known, now_ms: int) -> None:
    """End the memberships of ports that name another team now, and begin the new ones."""
    joins: dict[int, int] = {}
    for name in names:
        device = known.devices[name.device]
        port, team = known.ports[(device, name.port)], known.teams.get((device, name.team))
        if team is not None and known.team_of_port.get(port.id) != team.id:
            joins[port.id] = team.id
    table = tables.memberships
    moved = [port_id for port_id in joins if port_id in known.team_of_port]
    if moved:
        ended = update(table).where(among(connection, table.c.port_id, moved), table.c.to_ms.is_(None))
        connection.execute(ended.values(to_ms=now_ms))
    if joins:
        rows = [{"port_id": port_id, "team_id": team_id, "from_ms": now_ms} for port_id, team_id in joins.items()]
        connection.execute(insert(table), rows)
