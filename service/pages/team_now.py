"""What the last decided window of a team says in each direction, and whether the team can lose a member."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection

from service.pages.spoken import per_cent
from service.storage import rosters
from service.storage.inventory import Team
from service.terms import WHY_NOT_WORDS, WhyNot
from service.web import figures, stretches
from service.web.services import Services

STANDBY = WHY_NOT_WORDS[WhyNot.STANDBY]


@dataclass(frozen=True)
class Now:
    """The last decided window in one direction; `lost` says whether the team can lose a member."""

    direction: str
    start_ms: int
    kind: str
    even_split: float | None
    imbalance: float | None
    lost: str
    members: tuple[dict[str, Any], ...] = field(repr=False)


def now(connection: Connection, services: Services, team: Team) -> tuple[Now, ...]:
    """The last decided window in both directions, as REST tells it; nothing where none was decided or kept."""
    if team.decided_ms is None:
        return ()
    width_ms = services.policy.width_ms
    rows = rosters.of_windows(connection, team.id, team.decided_ms - width_ms, team.decided_ms, width_ms)
    stays, _ = stretches.page(rows, 1)
    showing = figures.Showing(connection, team, services.policy)
    hot_above = services.policy.rules_for(team.device, team.name).hot_above
    return tuple(
        _now(window, stay.starts[0], hot_above)
        for stay in stays
        for window in showing.windows(stay, stretches.ways(None))
    )


def _now(window: Mapping[str, Any], start_ms: int, hot_above: float) -> Now:
    judged = ("calm" if window["kind"] == "none" else window["kind"]) if window["evaluable"] else "could not be judged"
    return Now(
        direction=window["direction"],
        start_ms=start_ms,
        kind=judged,
        even_split=window["even_split"],
        imbalance=window["imbalance"],
        lost=lost(window, hot_above),
        members=tuple(window["members"]),
    )


def lost(window: Mapping[str, Any], hot_above: float) -> str:
    """Whether the rest of a team could carry its traffic without its fastest member, in words."""
    carrying = sum(member["eligible"] for member in window["members"])
    if not window["evaluable"]:
        return "unknown, for not every member is known"
    if carrying == 0:
        return "nothing to lose: no member can carry anything now"
    if carrying == 1:
        waits = any(member["why_not"] == STANDBY for member in window["members"])
        return "its standby would have to take over" if waits else "nothing is left: only one member can carry anything"
    left = window["one_lost"]
    if left is None:
        return "unknown"
    enough = "not enough" if left > 1 else "enough, but above the hot line" if left > hot_above else "enough"
    return f"{enough}, the others would carry {per_cent(left, 1)}"
