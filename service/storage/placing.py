"""The layout of teams: who belongs to whom, by position, and which id stands at which position."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import Connection, select

from service.storage import tables
from service.storage.dialects import among
from service.terms import MOST_MEMBERS, UNKNOWN, Codes, Layout, PortName, TeamName

devices_table, teams_table, ports_table, memberships = tables.devices, tables.teams, tables.ports, tables.memberships


class Placed(NamedTuple):
    """A layout, and the ids of its ports (n_ports,) and teams (n_teams,) by position."""

    layout: Layout
    port_ids: Codes
    team_ids: Codes


def layout(connection: Connection, team_ids: Sequence[int] | None = None) -> Placed:
    """The layout of the given teams, or of all, with the ids behind its positions; ordered by team id and port id."""
    query = (
        select(
            teams_table.c.id.label("team_id"),
            teams_table.c.name.label("team"),
            teams_table.c.method,
            teams_table.c.bundle,
            devices_table.c.name.label("device"),
            ports_table.c.id.label("port_id"),
            ports_table.c.name.label("port"),
            ports_table.c.if_index,
        )
        .join(devices_table, devices_table.c.id == teams_table.c.device_id)
        .join(memberships, (memberships.c.team_id == teams_table.c.id) & memberships.c.to_ms.is_(None))
        .join(ports_table, ports_table.c.id == memberships.c.port_id)
        .order_by(teams_table.c.id, ports_table.c.id)
    )
    if team_ids is not None:
        query = query.where(among(connection, teams_table.c.id, team_ids))
    return _laid_out(connection.execute(query).all())


def _laid_out(rows: Sequence[Any]) -> Placed:
    device_at: dict[str, int] = {}
    team_at: dict[int, int] = {}
    teams: list[TeamName] = []
    team_device: list[int] = []
    members: list[list[int]] = []
    ports: list[PortName] = []
    port_device: list[int] = []
    for row in rows:
        device = device_at.setdefault(row.device, len(device_at))
        if row.team_id not in team_at:
            team_at[row.team_id] = len(team_at)
            teams.append(TeamName(row.device, row.team, row.method, row.bundle))
            team_device.append(device)
            members.append([])
        members[-1].append(len(ports))
        ports.append(PortName(row.device, row.port, row.team, row.method, row.bundle, row.if_index))
        port_device.append(device)
    padded = [(row + [UNKNOWN] * MOST_MEMBERS)[:MOST_MEMBERS] for row in members]
    return Placed(
        Layout(
            devices=tuple(device_at),
            ports=tuple(ports),
            teams=tuple(teams),
            device_of_port=np.array(port_device, dtype=np.int32),
            device_of_team=np.array(team_device, dtype=np.int32),
            members=np.array(padded, dtype=np.int32).reshape(-1, MOST_MEMBERS),
        ),
        np.array([row.port_id for row in rows], dtype=np.int32),
        np.array(list(team_at), dtype=np.int32),
    )
