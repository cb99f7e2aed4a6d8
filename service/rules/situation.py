"""A finding with all that is known of its team: what explanations and advice are drawn from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from service.terms import BundleState, Finding, Item, MemberWindows, Rule, TeamName


class Neighbour(NamedTuple):
    """Another team of the same method and far end, and the position of its hot member, as far as one is hot."""

    device: str
    team: str
    position: int  # among its members, from 0
    members: int


class FarEnd(NamedTuple):
    """The other end of a member's cable, empty where nobody said, and what is counted there of the same traffic."""

    device: str = ""
    port: str = ""
    discard_ratio: float | None = None  # toward this device, that is of the far end's egress
    errors: int | None = None


@dataclass(frozen=True)
class Situation:
    """One finding and its team as they stand at `now_ms`.

    `ports` are the members by position, `windows` has its rows in that order and both directions, from half an hour
    before the finding began to its last flagged window, at most two hours of them. `states` and `far_ends` follow
    `ports` too. `items` are those of the finding's direction, rates over the same stretch as `items_s`
    seconds of it were told; empty where no source tells of any.
    """

    finding: Finding
    team: TeamName
    rule: Rule
    ports: tuple[str, ...]
    windows: MemberWindows
    states: tuple[BundleState | None, ...] = ()
    far_ends: tuple[FarEnd, ...] = ()
    items: tuple[Item, ...] = ()
    items_s: float = 0.0
    neighbours: tuple[Neighbour, ...] = ()
    teams_alike: int = 0  # teams of the same method and far end, hot or not, this one included
    mtu: int = 0  # of the members, 0 where unknown
    macs: tuple[int, ...] = ()
    site: str = ""
    owner_told: str = ""  # who owns the device, as the inventory says
    now_ms: int = 0
    notes: tuple[str, ...] = field(default_factory=tuple)
