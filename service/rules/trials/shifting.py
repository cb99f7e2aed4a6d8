"""What members did at a change: how long until all were on their new levels, and what was not delivered meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from service.rules.trials.cells import Cells
from service.rules.trials.counting import discarded
from service.rules.trials.landing import CHANGE, change_of
from service.rules.trials.outcome import Landed, Shift
from service.rules.trials.plan import Changed, Plan
from service.rules.words import rate
from service.terms import Floats, Truths

STANDARD_ERRORS = 2  # what lies within so many of nothing is no loss


class _Sides(NamedTuple):
    """Which cells show the levels before and after a change, and which lie between, each (n_cells,)."""

    before: Truths
    between: Truths
    after: Truths


def shifts(plan: Plan, cells: Cells, found: Sequence[Landed]) -> tuple[Shift, ...]:
    """One for each change within the check, in order of time."""
    return tuple(_shift(plan, cells, found, change) for change in sorted(plan.changes, key=lambda one: one.at_ms))


def _shift(plan: Plan, cells: Cells, found: Sequence[Landed], change: Changed) -> Shift:
    mine = tuple(step for step in found if step.declared == CHANGE and change_of(plan, cells, step) is change)
    sides = _sides(plan, cells, change, mine)
    levels = [_levels(cells, side) for side in (sides.before, sides.after)]
    lost, error = _lost(cells, sides)
    total = float(np.minimum(levels[0].sum(), levels[1].sum()))
    seconds = (max(step.at_ms for step in mine) - change.at_ms) / 1000 if mine else None
    between = np.flatnonzero(sides.between)
    span = (int(cells.edges_ms[between[0]]), int(cells.edges_ms[between[-1] + 1])) if len(between) else (0, 0)
    return Shift(
        change_ms=change.at_ms,
        what=change.what,
        seconds=seconds,
        resolution_s=cells.poll_ms / 1000,
        moved_bps=_moved_bps(levels, mine),
        steps=mine,
        before_bps=tuple(levels[0].tolist()) if not np.isnan(levels[0]).any() else (),
        after_bps=tuple(levels[1].tolist()) if not np.isnan(levels[1]).any() else (),
        lost_octets=lost,
        error_octets=error,
        lost_ms=lost * 8000 / total if lost is not None and total > 0 else None,
        discards=discarded(cells, *span),
        text=_text(seconds, cells.poll_ms / 1000, mine),
    )


def _moved_bps(levels: Sequence[Floats], mine: Sequence[Landed]) -> float:
    """By how much members rose that carry more after the change; a member that fell and rose again only counts once."""
    risen = levels[1] - levels[0]
    if np.isnan(risen).any():
        return sum(step.height_bps for step in mine if step.height_bps > 0)
    return float(risen[risen > 0].sum()) if mine else 0.0


def _sides(plan: Plan, cells: Cells, change: Changed, mine: Sequence[Landed]) -> _Sides:
    first_ms = min([change.at_ms, *(step.earliest_ms for step in mine)])
    last_ms = max([change.at_ms, *(step.latest_ms for step in mine)])
    # A poll on either side: a step that was small in one cell counts as the old level there.
    from_ms, to_ms = first_ms - cells.poll_ms, last_ms + cells.poll_ms
    moments = [event.at_ms for event in plan.events] + [one.at_ms for one in plan.changes if one is not change]
    begin_ms = max((at for at in moments if at < change.at_ms), default=plan.begin_ms)
    end_ms = min((at for at in moments if at > change.at_ms), default=plan.end_ms)
    starts, ends = cells.edges_ms[:-1], cells.edges_ms[1:]
    # Streams begin and end a little beside the declared time: the poll next to it shows no whole level.
    known = cells.within(begin_ms + cells.poll_ms, end_ms - cells.poll_ms)
    between = (ends > from_ms) & (starts < to_ms) & (starts >= begin_ms) & (ends <= end_ms)
    return _Sides(known & ~between & (starts < from_ms), between, known & ~between & (ends > to_ms))


def _levels(cells: Cells, side: Truths) -> Floats:
    """What each member carried, in bit/s, (n_ports,); NaN where no poll shows it."""
    if not side.any():
        return np.full(len(cells.ports), np.nan)
    levels: Floats = np.median(cells.bps[:, side], axis=1)
    return levels


def _lost(cells: Cells, sides: _Sides) -> tuple[float | None, float | None]:
    """Octets that were not counted between the levels, and how far they may be off; None where a level is unknown.

    Where all members together carried less on one side, that is the level that is missed: else a change that let
    more through would count as loss.
    """
    total = cells.total_bps
    if not (sides.before.any() and sides.after.any() and sides.between.any()) or np.isnan(total[sides.between]).any():
        return None, None
    side = min((sides.before, sides.after), key=lambda one: float(total[one].mean()))
    seconds = cells.widths_ms[sides.between] / 1000
    missing = float(((float(total[side].mean()) - total[sides.between]) * seconds).sum()) / 8
    spread = float(total[side].std(ddof=1)) if side.sum() > 1 else float(total[side].mean())
    # The mean of a few cells and each cell between have the same spread.
    count, shown = int(sides.between.sum()), int(side.sum())
    error = STANDARD_ERRORS * spread * float(seconds.mean()) / 8 * float(np.sqrt(count + count**2 / shown))
    return max(0.0, missing), error


def _text(seconds: float | None, resolution_s: float, mine: Sequence[Landed]) -> str:
    if seconds is None:
        return "no member's rate changed by as much as half a stream within five minutes: nothing moved"
    told = ", ".join(f"{step.port} {'+' if step.height_bps > 0 else '-'}{rate(abs(step.height_bps))}" for step in mine)
    if seconds < -resolution_s:
        return f"{told}; seen {-seconds:.0f} s before the change was said to be made: clocks or the record are off"
    return f"{told}; all on their new levels {max(0.0, seconds):.0f} s after the change (+-{resolution_s:.0f} s)"
