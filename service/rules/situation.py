"""A finding with all that is known of its team: what explanations and advice are drawn from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.terms import BundleState, Finding, Item, MemberWindows, Rule, Span, TeamName

# An explanation looks at how it came and how it was at first, so that it does not drift while a finding stays open.
BEFORE_MS = 30 * 60_000
AFTER_MS = 90 * 60_000


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
    mtu: int = 0  # of the members, 0 where unknown
    macs: tuple[int, ...] = ()
    site: str = ""
    owner_told: str = ""  # who owns the device, as the inventory says
    now_ms: int = 0


def stretch(finding: Finding, width_ms: int) -> tuple[int, int]:
    """From when to when windows are looked at: from half an hour before it began to the last flagged of 90 min."""
    until_ms = held_until(finding)
    return (finding.since_ms - BEFORE_MS) // width_ms * width_ms, -(-until_ms // width_ms) * width_ms


def held_until(finding: Finding) -> int:
    """The end of the last window that is looked at: the last flagged of the first 90 minutes."""
    return min(finding.hot_until_ms or finding.raised_ms, finding.since_ms + AFTER_MS)


def cut(windows: MemberWindows, ports: Sequence[int], from_ms: int, to_ms: int) -> MemberWindows:
    """The windows of some ports, by position, that lie within [from_ms, to_ms); fewer where fewer are there."""
    span = windows.span
    first = max(0, (from_ms - span.first_ms) // span.width_ms)
    end = max(first, min(span.count, (to_ms - span.first_ms) // span.width_ms))
    arrays: dict[str, Any] = {
        name: getattr(windows, name)[list(ports), first:end]
        for name in MemberWindows.__dataclass_fields__
        if name != "span"
    }
    begin_ms = span.first_ms + first * span.width_ms
    return MemberWindows(span=Span(begin_ms, end - first, span.width_ms), **arrays)
