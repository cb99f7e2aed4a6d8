"""What was foretold, what was changed, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Outcome(StrEnum):
    """What a comparison of before and after says."""

    EVENED_OUT = "evened-out"
    IMPROVED = "improved"
    UNCHANGED = "unchanged"
    WORSE = "worse"
    MOVED = "moved"
    CANNOT_TELL_YET = "cannot-tell-yet"


@dataclass(frozen=True)
class Prediction:
    """What was foretold of one team and direction before a change; it is never edited afterwards.

    `inputs` are the items, links and background that the odds were drawn from, so that anybody can draw them again
    with `seed`; `success` is the chance that no member exceeds the hot line.
    """

    id: str
    team_id: int
    direction: str
    option: str
    success: float
    made_ms: int
    made_by: str
    seed: int = 0
    text: str = ""
    inputs: dict[str, Any] = field(default_factory=dict)
    finding_id: str = ""


@dataclass(frozen=True)
class Change:
    """An operator's record that something was changed at a time; nothing within the settle time on either side counts.

    `kind` is what sort of change: "method", "far-end", "re-draw", "capacity", "repair", "other".
    """

    id: str
    at_ms: int
    who: str
    what: str
    reference: str = ""
    kind: str = "other"
    settle_ms: int = 300_000
    created_ms: int = 0
    created_by: str = ""


@dataclass(frozen=True)
class Stretches:
    """The spans of windows that one side of a comparison takes, [start_ms, end_ms) each, in order of time."""

    spans: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class Side:
    """What one side of a comparison shows; shares of 1, NaN-free: None where nothing is known."""

    windows: int = 0
    counted: int = 0  # of them, those with an even split of at least 10 % and every member known
    effective: float = 0.0  # sample size once autocorrelation is allowed for
    tau: float = 1.0  # windows that say as much as one independent one
    excess: float | None = None  # mean of busiest utilisation less even split
    busiest: float | None = None
    share: float | None = None  # mean busiest share
    even_split: float | None = None
    delivered_bps: float | None = None
    flagged_minutes: float = 0.0  # uneven, an hour of counted windows
    discard_ratio: float | None = None
    hot_port: str = ""


@dataclass(frozen=True)
class Verdict:
    """What came of a change for one team and direction.

    `low` and `high` bound the difference of excess (after less before) with 95 %, `boot_low` and `boot_high` by block
    bootstrap where the series are long enough. `harm` says what got worse besides balance; `could_tell_ms` is when
    enough windows will have been seen, None where that cannot be said.
    """

    outcome: Outcome
    text: str
    before: Side
    after: Side
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    boot_low: float | None = None
    boot_high: float | None = None
    load_ratio: float | None = None
    comparable: float | None = None  # share of the after-windows in bands of load that the before-period has
    harm: tuple[str, ...] = ()
    now_full: bool = False
    reasons: tuple[str, ...] = ()
    could_tell_ms: int | None = None


@dataclass(frozen=True)
class Baseline:
    """What a team and direction is compared with, as it was frozen when the change was recorded.

    `spans` are whole windows, [start_ms, end_ms) each; `windows` lie in them and `counted` of these were kept, with an
    even split of at least 10 %. `days` are the dates on which the spans begin, in `zone`. `length_ms` is how much of
    each day is compared, from the settle time on.
    """

    spans: tuple[tuple[int, int], ...] = ()
    length_ms: int = 0
    windows: int = 0
    counted: int = 0
    days: tuple[str, ...] = ()
    zone: str = "UTC"
    frozen_ms: int = 0
