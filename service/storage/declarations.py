"""What the settings say of teams where no sample does."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, select, update

from service.storage import tables
from service.terms import TeamName

UNKNOWN_METHOD = "unknown"


def declare(connection: Connection, told: Sequence[TeamName]) -> int:
    """Fill in method and bundle of teams that are known by name, and say how many; what a sample has said stands."""
    return sum(_filled(connection, team) for team in told)


def _filled(connection: Connection, told: TeamName) -> int:
    teams, devices = tables.teams, tables.devices
    device_id = select(devices.c.id).where(devices.c.name == told.device).scalar_subquery()
    here = (teams.c.device_id == device_id, teams.c.name == told.team)
    filled = 0
    if told.method != UNKNOWN_METHOD:
        statement = update(teams).where(*here, teams.c.method == UNKNOWN_METHOD).values(method=told.method)
        filled += connection.execute(statement).rowcount
    if told.bundle:
        statement = update(teams).where(*here, teams.c.bundle == "").values(bundle=told.bundle)
        filled += connection.execute(statement).rowcount
    return filled
