"""What came of a heavy-traffic check. Figures are None where nobody can know them."""

from __future__ import annotations

from dataclasses import dataclass

from service.terms import Item


@dataclass(frozen=True)
class Member:
    """A member: its speed, what it carried before the check, and what in the stretch in which most was offered."""

    port: str
    speed_bps: int | None
    background_bps: float | None
    counted_bps: float | None
    utilisation: float | None  # on the wire as the plan frames it


@dataclass(frozen=True)
class Count:
    """Counted against offered, over the polls that lie wholly in the check.

    `offered_bps` is as stated, `expected_bps` what counters should show of it. `ratio` is what was counted less
    what ran before, over that; it agrees within `tolerance`.
    """

    offered_bps: float
    expected_bps: float
    counted_bps: float
    background_bps: float | None
    ratio: float
    agrees: bool
    tolerance: float
    seconds: float
    frame_octets: float | None  # seen, in the mean


@dataclass(frozen=True)
class Landed:
    """A step in a member's rate: when, how high, and how many streams of which rate explain it.

    `at_ms` is reckoned from the octets of the polls around the step, which ended after `earliest_ms` and by
    `latest_ms`. `declared` is "begin", "end" or "change" where one was told for this time, empty else. `streams` is
    negative where streams left, None where no whole number of them explains the step.
    """

    port: str
    at_ms: int
    earliest_ms: int
    latest_ms: int
    height_bps: float
    declared: str
    streams: int | None
    stream_bps: float | None  # as stated; None where streams of several rates make up the step


@dataclass(frozen=True)
class Seat:
    """How many streams a member carried, by the steps at which they began or by records of conversations."""

    port: str
    streams: int


@dataclass(frozen=True)
class Shift:
    """What members did at a change.

    `seconds` is from the change until the last member was on its new level, give or take `resolution_s`;
    None where no member's rate changed. `lost_octets` were not counted between the levels, within
    `error_octets`; `lost_ms` is how long all streams together take for as many.
    """

    change_ms: int
    what: str
    seconds: float | None
    resolution_s: float
    moved_bps: float
    steps: tuple[Landed, ...]
    before_bps: tuple[float, ...]
    after_bps: tuple[float, ...]
    lost_octets: float | None
    error_octets: float | None
    lost_ms: float | None
    discards: int | None
    text: str


@dataclass(frozen=True)
class Foretold:
    """What the odds had said of one draw, and beside it what was seen while most was offered.

    `success` is the chance that no member is above the line, within `error`. `as_uneven` is the chance that a
    member gets as many of alike streams as one did, or more.
    """

    line: float
    success: float
    error: float
    seen_busiest: float | None
    seen_above: bool | None
    most_on_one: int | None
    as_uneven: float | None
    text: str


@dataclass(frozen=True)
class Trial:
    """The whole answer; `complete` once polls reach past the end of the check."""

    device: str
    team: str
    direction: str
    begin_ms: int
    end_ms: int
    until_ms: int | None
    complete: bool
    poll_s: float
    members: tuple[Member, ...]
    count: Count | None
    seats: tuple[Seat, ...]
    seats_by: str  # "steps", "records" or "" where nobody can tell
    landed: tuple[Landed, ...]
    shifts: tuple[Shift, ...]
    foretold: Foretold | None
    discards: int | None
    items: tuple[Item, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
