"""Teams that share a far end, and the open findings about them."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, and_, func, select

from service.storage import bodies, tables
from service.storage.dialects import among
from service.terms import DIRECTIONS, FAMILY_WORDS, Family, Finding

NO_TEAM = 0  # the team of a finding that is about a fleet
_findings, _teams, _devices = tables.findings.c, tables.teams.c, tables.devices.c
_ports, _members, _claims = tables.ports.c, tables.memberships.c, tables.claims.c


class Uneven(NamedTuple):
    """An open finding of uneven load: whose, in which direction, and how the team is built."""

    finding_id: str
    team_id: int
    direction: str
    method: str


def uneven(connection: Connection) -> list[Uneven]:
    """The open findings of uneven load of single teams, the oldest first; their bodies are left where they are."""
    query = (
        select(_findings.id, _findings.team_id, _findings.direction, _teams.method)
        .join(tables.teams, _teams.id == _findings.team_id)
        .where(_findings.cleared_ms.is_(None), _findings.family == FAMILY_WORDS.index(_DISTRIBUTION))
        .order_by(_findings.raised_ms, _findings.id)
    )
    return [Uneven(row[0], row[1], DIRECTIONS[row[2]], row[3]) for row in connection.execute(query)]


def bodies_of(connection: Connection, finding_ids: Collection[str]) -> dict[str, Finding]:
    """The findings of these ids."""
    query = select(_findings.id, _findings.body).where(among(connection, _findings.id, sorted(finding_ids)))
    return {row[0]: bodies.read(row[1]) for row in connection.execute(query)}


def any_open(connection: Connection) -> bool:
    """Whether a finding about a fleet is open."""
    query = select(_findings.id).where(_findings.team_id == NO_TEAM, _findings.cleared_ms.is_(None)).limit(1)
    return connection.execute(query).first() is not None


def open_fleets(connection: Connection) -> list[Finding]:
    """The findings about fleets that are open."""
    query = select(_findings.body).where(_findings.team_id == NO_TEAM, _findings.cleared_ms.is_(None))
    return [bodies.read(body) for body in connection.scalars(query)]


def part_ends(connection: Connection, finding: Finding) -> list[int | None]:
    """When the findings that are part of one about a fleet ended, None for each that is open."""
    # A name may hold a stroke of its own, so every cut could be the one between device and team.
    devices = {team[:at] for team in finding.teams for at, letter in enumerate(team) if letter == "/"}
    query = (
        select(_findings.body)
        .join(tables.teams, _teams.id == _findings.team_id)
        .join(tables.devices, _devices.id == _teams.device_id)
        .where(among(connection, _devices.name, sorted(devices)))
        .where(_findings.direction == DIRECTIONS.index(finding.direction))
        .where(_findings.family == FAMILY_WORDS.index(_DISTRIBUTION), _findings.updated_ms >= finding.since_ms)
    )
    found = [bodies.read(body) for body in connection.scalars(query)]
    return [part.cleared_ms for part in found if part.part_of == finding.id]


def far_ends(connection: Connection, team_ids: Collection[int]) -> dict[int, str]:
    """The far device of each of these teams; a pair of them, whose names are joined, is one far end."""
    query = _toward().where(among(connection, _members.team_id, sorted(team_ids)))
    found: dict[int, set[str]] = {}
    for team_id, far_device in connection.execute(query):
        found.setdefault(team_id, set()).add(far_device)
    return {team_id: "+".join(sorted(devices)) for team_id, devices in found.items()}


def sizes(connection: Connection, far_devices: Collection[str]) -> dict[str, int]:
    """How many teams have a member toward each of these devices."""
    toward = _toward().where(among(connection, _claims.far_device, sorted(far_devices))).subquery()
    query = select(toward.c.far_device, func.count(toward.c.team_id.distinct())).group_by(toward.c.far_device)
    return {row[0]: row[1] for row in connection.execute(query)}


def _toward() -> Select[Any]:
    """Teams and the far devices of their present members."""
    return (
        select(_members.team_id, _claims.far_device)
        .join(tables.ports, _ports.id == _members.port_id)
        .join(tables.devices, _devices.id == _ports.device_id)
        .join(tables.claims, and_(_claims.device == _devices.name, _claims.port == _ports.name))
        .where(_members.to_ms.is_(None), _claims.far_device != "")
        .distinct()
    )


_DISTRIBUTION = FAMILY_WORDS[Family.DISTRIBUTION]
