"""Answers made of figures: windows, roll-ups and the working behind one figure."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from service.web.models import At, Direction, Page, Shape, Share

MarkWord = Literal[
    "down",
    "flap",
    "standby",
    "out",
    "speed-changed",
    "speed-doubtful",
    "uncertain",
    "shared",
    "merged-packets",
    "one-sided",
    "unanswered",
    "sick",
    "far-end-silent",
    "misbuilt",
]


class WindowMember(Shape):
    """One member in one window and direction; null is unknown, never zero."""

    port: str
    utilisation: Share | None
    lower: Share | None
    upper: Share | None
    coverage: Share
    basis: str
    eligible: bool
    why_not: str
    flags: list[MarkWord] = Field(
        description="What was seen of it besides; uncertain means that the line lies well between lower and upper."
    )


class Window(Shape):
    """One window of a team in one direction."""

    device: str
    team: str
    direction: Direction
    start: At
    kind: str
    evaluable: bool
    even_split: Share | None
    imbalance: Share | None
    busiest_share: Share | None
    one_lost: Share | None = Field(
        description="The even split that would be left without the fastest member; above 1 the team cannot lose one."
    )
    restated: int = Field(description="How often it was rewritten after it had been decided.")
    members: list[WindowMember]


class Windows(Page[Window]):
    """Windows by time."""

    window_seconds: float


class RollupMember(Shape):
    """One member over five minutes in one direction."""

    port: str
    mean: Share | None
    peak: Share | None
    hot_seconds: float | None = Field(description="Seconds of windows above the hot line.")
    coverage: Share


class Rollup(Shape):
    """Five minutes of a team in one direction."""

    direction: Direction
    start: At
    members: list[RollupMember]


class Rollups(Page[Rollup]):
    """Roll-ups by time."""

    device: str
    team: str


class Part(Shape):
    """One interval's share in a window; octets are those of the interval, `seconds` those that lie in the window."""

    start: At
    end: At
    reading_before: int | None
    reading_after: int | None
    wraps: int
    octets: int | None
    frames: int | None
    seconds: float
    speed_bps: int | None
    status: str
    flags: list[str]


class Working(Shape):
    """Where the figure of one member in one window comes from."""

    device: str
    team: str
    port: str
    direction: Direction
    start: At
    end: At
    parts: list[Part]
    covered_seconds: float
    coverage: Share
    speed_bps: int | None
    speed_source: str
    added_octets_per_frame: int = Field(description="What each frame has on the wire besides what was counted.")
    basis: str
    shared: bool
    utilisation: Share | None
    lower: Share | None
    upper: Share | None
    why_not: str
    by_hand: Share | None = Field(description="The same worked out anew, in whole numbers, from the parts alone.")
    decided: Share | None = Field(description="What was kept when the window was decided; null where nothing was.")
