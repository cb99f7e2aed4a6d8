"""What evaluation asks of every tick: which teams there are, and which findings lived when."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection, or_, select

from service.storage import bodies, tables
from service.storage.dialects import among
from service.terms import Finding

_teams, _devices, _findings = tables.teams.c, tables.devices.c, tables.findings.c


class Watched(NamedTuple):
    """A team as evaluation sees it: how its samples come, and until when its windows are decided."""

    id: int
    feed: str
    last_sample_ms: int | None
    decided_ms: int | None


class Alive(NamedTuple):
    """A finding and the team it is about."""

    finding: Finding
    team_id: int


class Source(NamedTuple):
    """What is known of how a device reports."""

    id: int
    interval_ms: int | None
    refresh_ms: int | None
    clock_offset_ms: int | None


def watched(connection: Connection) -> list[Watched]:
    """Every team, by id."""
    query = (
        select(_teams.id, _devices.feed, _devices.last_sample_ms, _teams.decided_ms)
        .join(tables.devices, _devices.id == _teams.device_id)
        .order_by(_teams.id)
    )
    return [Watched._make(row) for row in connection.execute(query)]


def emptied(connection: Connection) -> set[int]:
    """Teams whose members have all gone to other teams."""
    members = tables.memberships.c
    member = select(members.id).where(members.team_id == _teams.id, members.to_ms.is_(None))
    return set(connection.scalars(select(_teams.id).where(~member.exists())))


def alive(connection: Connection, team_ids: Sequence[int], from_ms: int, to_ms: int) -> list[Alive]:
    """Findings of teams that were raised by `to_ms` and not cleared by `from_ms`, in order of their raise."""
    query = (
        select(_findings.body, _findings.team_id)
        .where(among(connection, _findings.team_id, team_ids))
        .where(_findings.raised_ms <= to_ms, or_(_findings.cleared_ms.is_(None), _findings.cleared_ms > from_ms))
        .order_by(_findings.raised_ms, _findings.id)
    )
    return [Alive(bodies.read(row.body), row.team_id) for row in connection.execute(query)]


def told_of(connection: Connection, devices: Sequence[str]) -> dict[str, Source]:
    """What is known of devices, by name."""
    query = select(_devices.name, *(_devices[name] for name in Source._fields))
    query = query.where(among(connection, _devices.name, devices))
    return {row[0]: Source._make(row[1:]) for row in connection.execute(query)}
