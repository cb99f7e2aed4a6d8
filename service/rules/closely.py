"""What narrow windows of one team show of a change while somebody looks: how long the shift took, the verdict so far.

Nothing of it is a recorded verdict, which is reached from the decided windows of days.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from service.numerics.steps import Step, steps
from service.rules.assess import Assessment
from service.rules.trials.cells import Ports, cells_of
from service.rules.trials.counting import discarded
from service.rules.trials.landing import FOLLOWS_MS
from service.rules.verdicts.comparing import verdict
from service.rules.verdicts.deciding import NEEDED
from service.rules.verdicts.series import series_of
from service.rules.words import counted
from service.terms import (
    DIRECTIONS,
    UNKNOWN,
    Change,
    Floats,
    Intervals,
    Ints,
    Layout,
    Rule,
    Span,
    Stretches,
    Truths,
    Verdict,
)

LEAST = 0.05  # a share that moves less than this stands where it stood
STANDS = 3  # windows on the new level before it is believed
LIGHT = 0.01  # of the speed: what is carried below it has no shares worth the name
LONGER = 1.25  # an interval so many windows long is of more than one: polls come some ms early or late


class Moving(StrEnum):
    """How far members have come after a change."""

    NOT_YET = "not-yet"  # too few windows since
    NONE_SEEN = "none-seen"
    SETTLED = "settled"
    UNKNOWN = "unknown"  # no window before it that shows shares


@dataclass(frozen=True)
class Shift:
    """From a change until members' shares stood on their new levels; `seconds` is give or take `resolution_s`.

    `discards` were counted on members from the change until then, a window at least; None where nobody counts them.
    """

    moving: Moving
    seconds: float | None
    resolution_s: float
    discards: int | None
    text: str


@dataclass(frozen=True)
class Followed:
    """A change as the narrow windows show it; `verdict` compares the windows before it with those after the shift."""

    change: Change
    shift: Shift
    verdict: Verdict
    needed: int = NEEDED


@dataclass(frozen=True)
class View:
    """One team in narrow windows: what was assessed of it, its rule, and its members by their rows in the layout."""

    found: Assessment
    layout: Layout
    rule: Rule
    rows: tuple[int, ...]
    names: tuple[str, ...] = field(default=())

    @classmethod
    def of(cls, found: Assessment, layout: Layout, rule: Rule) -> View:
        """The view of a layout's one team."""
        rows = tuple(port for port in layout.members[0].tolist() if port != UNKNOWN)
        return cls(found, layout, rule, rows, tuple(layout.ports[row].port for row in rows))

    @property
    def span(self) -> Span:
        """The windows."""
        return self.found.members.span

    def shares(self, way: int) -> Floats:
        """What part of the team's traffic each member carries, (n_members, n_windows).

        NaN in windows in which a member is unknown or hardly anything is carried.
        """
        members, rows = self.found.members, list(self.rows)
        speeds = members.speed_bps[rows].astype(np.float64)
        counts = members.why_not[rows][:, :, way] == 0
        carried = np.where(counts, members.utilisation[rows][:, :, way] * speeds, 0.0)
        total = carried.sum(axis=0)
        shown = counts.any(axis=0) & (total >= LIGHT * np.where(counts, speeds, 0.0).sum(axis=0))
        with np.errstate(divide="ignore", invalid="ignore"):
            shares: Floats = np.where(shown, carried / total, np.nan)
        return shares


def followed(view: View, way: int, changes: Sequence[Change]) -> tuple[Followed, ...]:
    """Every change of one direction within the view, in order of time."""
    made = sorted(changes, key=lambda one: one.at_ms)
    ends = [one.at_ms for one in made[1:]] + [view.span.end_ms]
    begins = [view.span.first_ms] + [one.at_ms for one in made[:-1]]
    return tuple(_followed(view, way, one, (b, e)) for one, b, e in zip(made, begins, ends, strict=True))


def stretched(told: Intervals, n_ports: int, span: Span) -> Truths:
    """Where a window is no more than a part of one longer interval between samples, (n_ports, n_windows).

    Its figure is what that interval carried, spread evenly: an interpolation.
    """
    long = (told.end_ms - told.start_ms) > LONGER * span.width_ms
    long &= (told.end_ms > span.first_ms) & (told.start_ms < span.end_ms)
    first = np.clip((told.start_ms[long] - span.first_ms) // span.width_ms, 0, span.count)
    after = np.clip(-((span.first_ms - told.end_ms[long]) // span.width_ms), 0, span.count)
    marks = np.zeros((n_ports, span.count + 1), dtype=np.int64)
    np.add.at(marks, (told.port[long], first), 1)
    np.add.at(marks, (told.port[long], after), -1)
    inside: Truths = np.cumsum(marks, axis=1)[:, :-1] > 0
    return inside


def _followed(view: View, way: int, change: Change, between_ms: tuple[int, int]) -> Followed:
    shift = _shift(view, way, change, between_ms)
    return Followed(change, shift, _so_far(view, way, change, (shift, between_ms)))


def _shift(view: View, way: int, change: Change, between_ms: tuple[int, int]) -> Shift:
    width_ms, starts = view.span.width_ms, view.span.starts()
    inside = (starts >= between_ms[0]) & (starts + width_ms <= between_ms[1])
    shares, starts = view.shares(way)[:, inside], starts[inside]
    shown: Truths = np.asarray(~np.isnan(shares).any(axis=0))
    before = shown & (starts + width_ms <= change.at_ms)
    since = int((shown & (starts >= change.at_ms)).sum())
    mine = [step for member in shares for step in steps(member, LEAST) if _follows(step, starts, change, width_ms)]
    stands = [int(shown[step.at :].sum()) for step in mine]
    moving = _moving(bool(before.any()), since, stands)
    until_ms = max((int(starts[step.at]) for step in mine), default=between_ms[1])
    seconds = max(0, until_ms - change.at_ms) / 1000 if moving is Moving.SETTLED else None
    over_ms = max(until_ms, change.at_ms + width_ms) if moving is Moving.SETTLED else between_ms[1]
    lost = _discards(view, way, (change.at_ms, over_ms))
    told = _text(moving, seconds, width_ms / 1000, since)
    return Shift(moving, seconds, width_ms / 1000, lost, told)


def _follows(step: Step, starts: Ints, change: Change, width_ms: int) -> bool:
    """Whether a step is a change's doing: no more than a window before it, and not long after."""
    return bool(-width_ms <= starts[step.at] - change.at_ms <= FOLLOWS_MS)


def _moving(has_before: bool, since: int, stands: Sequence[int]) -> Moving:
    if not has_before:
        return Moving.UNKNOWN
    if since < STANDS or min(stands, default=STANDS) < STANDS:
        return Moving.NOT_YET
    return Moving.SETTLED if stands else Moving.NONE_SEEN


def _discards(view: View, way: int, between_ms: tuple[int, int]) -> int | None:
    ports = Ports(dict(zip(view.rows, view.names, strict=True)), np.zeros(len(view.rows), dtype=np.int64))
    span = view.span
    cells = cells_of(view.found.intervals, view.found.facts, DIRECTIONS[way], ports, (span.first_ms, span.end_ms))
    return discarded(cells, *between_ms)


def _text(moving: Moving, seconds: float | None, resolution_s: float, since: int) -> str:
    if moving is Moving.UNKNOWN:
        return "no window before the change shows how the load was shared, so a shift cannot be told"
    if moving is Moving.NOT_YET:
        return f"not yet: {counted(since, 'window')} since the change, and a level has to stand for {STANDS}"
    if moving is Moving.NONE_SEEN:
        return f"no shift seen: no member's share has moved by {100 * LEAST:.0f} points in {counted(since, 'window')}"
    return f"all members on their new shares {seconds:.0f} s after the change, give or take {resolution_s:g} s"


def _so_far(view: View, way: int, change: Change, seen: tuple[Shift, tuple[int, int]]) -> Verdict:
    shift, (begin_ms, end_ms) = seen
    width_ms = view.span.width_ms
    over_ms = change.at_ms + (max(width_ms, round(1000 * shift.seconds)) if shift.seconds is not None else width_ms)
    sides = [
        series_of(view.found.members, view.rows, view.names, view.rule, DIRECTIONS[way], Stretches(((start, end),)))
        for start, end in ((begin_ms, change.at_ms), (over_ms, end_ms))
    ]
    return verdict(sides[0], sides[1], clear_below=view.rule.clear_below)
