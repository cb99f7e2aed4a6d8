"""Who belongs to whom, from the names that files give to ports."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from service.terms import MOST_MEMBERS, UNKNOWN, Codes, Layout, PortName, TeamName

Key = tuple[str, str]


def layout_of(ports: Sequence[PortName]) -> tuple[Layout, tuple[str, ...]]:
    """The layout that ports' names make, and a note for each team that cannot be evaluated."""
    devices = _numbered(port.device for port in ports)
    members: dict[Key, list[int]] = {}
    for at, port in enumerate(ports):
        if port.team:
            members.setdefault((port.device, port.team), []).append(at)
    notes = tuple(_too_many(key, who) for key, who in members.items() if len(who) > MOST_MEMBERS)
    kept = {key: who for key, who in members.items() if len(who) <= MOST_MEMBERS}
    layout = Layout(
        devices=tuple(devices),
        ports=tuple(ports),
        teams=tuple(_team(key, [ports[at] for at in who]) for key, who in kept.items()),
        device_of_port=np.array([devices[port.device] for port in ports], dtype=np.int32),
        device_of_team=np.array([devices[device] for device, _ in kept], dtype=np.int32),
        members=_padded(kept.values()),
    )
    return layout, notes


def _numbered(names: Iterable[str]) -> dict[str, int]:
    return {name: at for at, name in enumerate(dict.fromkeys(names))}


def _team(key: Key, members: Sequence[PortName]) -> TeamName:
    methods = [port.method for port in members if port.method != "unknown"]
    bundles = [port.bundle for port in members if port.bundle]
    return TeamName(*key, method=(methods or ["unknown"])[-1], bundle=(bundles or [""])[-1])


def _padded(members: Iterable[Sequence[int]]) -> Codes:
    rows = [[*who, *[UNKNOWN] * (MOST_MEMBERS - len(who))] for who in members]
    return np.array(rows, dtype=np.int32).reshape(len(rows), MOST_MEMBERS)


def _too_many(key: Key, members: Sequence[int]) -> str:
    device, team = key
    return f"{device}, team {team}: {len(members)} members; teams of up to {MOST_MEMBERS} are evaluated"
