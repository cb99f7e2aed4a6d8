"""Teams by what somebody remembers of them: a part of a name, of an owner or site, the hash method, something open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, func, or_, select, tuple_

from service.storage import cursors, tables
from service.storage.dialects import among

_devices, _teams, _claims, _findings = tables.devices, tables.teams, tables.claims, tables.findings
_memberships, _ports = tables.memberships, tables.ports


@dataclass(frozen=True)
class Sought:
    """Teams to be found: each word is part of a device's or team's name, or of an owner or site, in any case."""

    words: tuple[str, ...] = ()
    method: str = ""
    only_open: bool = False


class Listed(NamedTuple):
    """A team as it is listed; members by id of their ports."""

    id: int
    device: str
    name: str
    method: str
    decided_ms: int | None
    members: dict[int, str]


class Open(NamedTuple):
    """What is open at a team."""

    id: str
    kind: str
    severity: str


def found(
    connection: Connection, sought: Sought, *, cursor: str | None = None, limit: int = 100
) -> cursors.Page[Listed]:
    """Teams by device and name."""
    columns = (_teams.c.id, _devices.c.name, _teams.c.name, _teams.c.method, _teams.c.decided_ms)
    query = _joined(select(*columns), sought).order_by(_devices.c.name, _teams.c.name).limit(limit + 1)
    if cursor is not None:
        device, name = cursors.read(cursor, str, str)
        query = query.where(_devices.c.name >= device, (_devices.c.name > device) | (_teams.c.name > name))
    rows = connection.execute(query).all()
    members = _members(connection, [row[0] for row in rows])
    listed = [Listed._make((*row, members.get(row[0], {}))) for row in rows]
    return cursors.page(listed, limit, [(one.device, one.name) for one in listed])


def count(connection: Connection, sought: Sought) -> int:
    """How many there are."""
    return connection.scalar(_joined(select(func.count()), sought)) or 0


def methods(connection: Connection) -> list[str]:
    """Hash methods of teams, as far as any is known of."""
    return list(connection.scalars(select(_teams.c.method).distinct().order_by(_teams.c.method)))


def open_at(connection: Connection, team_ids: Sequence[int]) -> dict[int, list[Open]]:
    """By team, what is open there, the first raised first; teams without are left out."""
    query = (
        select(_findings.c.team_id, _findings.c.id, _findings.c.kind, _findings.c.severity)
        .where(_findings.c.cleared_ms.is_(None), among(connection, _findings.c.team_id, team_ids))
        .order_by(_findings.c.raised_ms, _findings.c.id)
    )
    listed: dict[int, list[Open]] = {}
    for team_id, *told in connection.execute(query):
        listed.setdefault(team_id, []).append(Open._make(told))
    return listed


def _joined(query: Select[Any], sought: Sought) -> Select[Any]:
    joined = query.select_from(_teams.join(_devices, _devices.c.id == _teams.c.device_id))
    return joined.where(*(_has(word) for word in sought.words), *_narrowed(sought))


def _has(word: str) -> ColumnElement[bool]:
    """Asked once for all teams which of them somebody declared so, for a question a team would be slow."""
    told = or_(_claims.c.owner.icontains(word, autoescape=True), _claims.c.site.icontains(word, autoescape=True))
    declared = select(_claims.c.device, _claims.c.team).where(told)
    return or_(
        _devices.c.name.icontains(word, autoescape=True),
        _teams.c.name.icontains(word, autoescape=True),
        tuple_(_devices.c.name, _teams.c.name).in_(declared),
    )


def _narrowed(sought: Sought) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    if sought.method:
        conditions.append(_teams.c.method == sought.method)
    if sought.only_open:
        conditions.append(_teams.c.id.in_(select(_findings.c.team_id).where(_findings.c.cleared_ms.is_(None))))
    return conditions


def _members(connection: Connection, team_ids: Sequence[int]) -> dict[int, dict[int, str]]:
    query = (
        select(_memberships.c.team_id, _ports.c.id, _ports.c.name)
        .join(_ports, _ports.c.id == _memberships.c.port_id)
        .where(_memberships.c.to_ms.is_(None), among(connection, _memberships.c.team_id, team_ids))
        .order_by(_ports.c.id)
    )
    members: dict[int, dict[int, str]] = {}
    for team_id, port_id, name in connection.execute(query):
        members.setdefault(team_id, {})[port_id] = name
    return members
