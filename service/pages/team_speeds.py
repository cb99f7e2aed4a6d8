"""How fast the members of a team are, and where that is from: the last window used it, or it was told since."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection

from service.evaluation import declared
from service.pages.team_now import Now
from service.rules.working import speed_source
from service.storage import heard, inventory, windows
from service.storage.inventory import Team
from service.web.services import Services


class Speed(NamedTuple):
    """A speed in bit/s, None where unknown, and where it is from."""

    bps: int | None
    source: str


def speeds(connection: Connection, services: Services, team: Team, last: Sequence[Now]) -> dict[str, Speed]:
    """By member, its speed as the last window used it; before the first window, as it is set or told."""
    placed = inventory.layout(connection, [team.id])
    layout, now_ms = placed.layout, services.now_ms()
    said = declared.of(connection, layout, services.policy, now_ms)
    used = _used(connection, services, team, last)
    found: dict[str, Speed] = {}
    for row, (name, set_bps) in enumerate(zip(layout.ports, services.policy.speeds(layout).tolist(), strict=True)):
        bps = used.get(int(placed.port_ids[row])) or set_bps or int(said.far_bps[row])
        found[name.port] = Speed(bps or None, speed_source(bps, set_bps, said.far_ends.get(row, "")))
    unknown = {(team.device, port) for port, speed in found.items() if speed.bps is None}
    told = heard.latest_of(connection, unknown, now_ms - declared.BELIEVED_MS, now_ms) if unknown else {}
    news = {port: one.speed_bps for (_, port), one in told.items() if one.speed_bps > 0}
    return found | {port: Speed(bps, speed_source(bps)) for port, bps in news.items()}


def _used(connection: Connection, services: Services, team: Team, last: Sequence[Now]) -> dict[int, int]:
    """By port id, its speed in the last window."""
    if not last:
        return {}
    start_ms, width_ms = last[0].start_ms, services.policy.width_ms
    kept = windows.read(connection, team.id, start_ms, start_ms + width_ms, width_ms)
    return dict(zip(kept.port_ids.tolist(), kept.members.speed_bps[:, 0].tolist(), strict=True))
