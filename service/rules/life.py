"""How findings come and go.

A family of kinds has at most one finding open a team and direction. It is raised when enough
of the last evaluable windows carried a kind of the family, all on the basis of the newest one
and fresh enough; it is cleared by calm windows running. A window that is missing, not
evaluable or on another basis than the open finding's neither raises nor clears.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from service.rules.passage import STEPS, Windows, live
from service.rules.severity import after_hole, levels
from service.rules.state import LifeState, fresh, on_wire
from service.rules.table import RuleTable
from service.rules.unfit import recalled, shown
from service.terms import UNKNOWN, Bytes, Finding, Kind, Layout, MemberWindows, TeamWindows, Truths

__all__ = ["LifeState", "Step", "advance", "fresh", "rebuilt"]


@dataclass(frozen=True)
class Step:
    """Something that became so of a finding at the end of a window; counts are those of a raise."""

    team: int
    direction: int
    family: int
    what: str
    at_ms: int
    kind: Kind
    level: int
    since_ms: int
    recurrences: int
    seen: int
    evaluable: int
    flagged: int
    peak: float = np.nan
    peak_ms: int = UNKNOWN
    peak_at: int = UNKNOWN
    discards: float = np.nan


def advance(
    state: LifeState, teams: TeamWindows, rules: RuleTable, alone: Truths | None = None
) -> tuple[LifeState, list[Step]]:
    """The state after the windows of `teams`, and what became so, in the order of time and then of teams.

    Windows between the state's last and the first given count as missing. In pieces or at once,
    the outcome is the same.

    Raises
    ------
    ValueError
        Where `teams` starts before the state ends: rebuild an earlier state first.
    """
    return _run(state, teams, rules, alone=alone, remember=False)


def rebuilt(
    teams: TeamWindows,
    layout: Layout,
    rules: RuleTable,
    findings: Iterable[Finding],
    members: MemberWindows | None = None,
) -> LifeState:
    """The state at the end of `teams` as if evaluation had never stopped.

    `findings` are those open then and those raised in the hour before; they are believed, and
    the windows give what findings don't tell. `teams` must hold the last `memory_windows`, and
    `members` the same: without them nothing but findings tells which members are unfit.
    """
    span = teams.span
    seed = LifeState.seeded(layout, findings, span.end_ms, span.width_ms)
    start = LifeState(seed.memory, seed.depth, span.first_ms // span.width_ms)
    if members is not None:
        start, signs = recalled(start, members, layout, rules)
        teams = shown(teams, signs)
    return _run(start, teams, rules, alone=None, remember=True)[0]


def _run(
    state: LifeState, teams: TeamWindows, rules: RuleTable, *, alone: Truths | None, remember: bool
) -> tuple[LifeState, list[Step]]:
    width_ms = teams.span.width_ms
    first = teams.span.first_ms // width_ms
    gap = 0 if state.next_slot == UNKNOWN else first - state.next_slot
    if gap < 0:
        raise ValueError(f"windows from slot {first} were asked of a state that stands at slot {state.next_slot}")
    after = state.copy()
    depth, found = levels(after_hole(after.depth, gap, width_ms), teams, alone)
    rows, figures = live(after.memory, rules, _read_by(teams, found), first, gap, remember)
    order = np.lexsort((rows[:, 3], rows[:, 2], rows[:, 1], rows[:, 0]))
    steps = [_step(rows[i].tolist(), figures[i].tolist(), width_ms) for i in order]
    return LifeState(after.memory, depth, first + teams.span.count, state.noticed), steps


def _read_by(teams: TeamWindows, found: Bytes) -> Windows:
    shape = teams.evaluable.shape
    calm_degraded = teams.calm_degraded if teams.calm_degraded.size else teams.calm_full
    return Windows(
        evaluable=teams.evaluable,
        kind=teams.kind,
        degraded=teams.degraded,
        calm=np.stack((teams.calm, teams.calm_full, calm_degraded), axis=-1),
        hot=teams.hot,
        on_wire=on_wire(teams.basis if teams.basis.size else np.zeros(shape, dtype=np.uint8)),
        total=teams.total_bps,
        even_split=teams.even_split,
        utilisation=teams.utilisation,
        busiest=teams.busiest,
        discards=teams.discards if teams.discards.size else np.full(shape, np.nan, dtype=np.float32),
        level=found,
        unfit_kind=_or_none(teams.unfit_kind, shape, np.uint8),
        unfit_age=_or_none(teams.unfit_age, shape, np.uint8),
        recovering=_or_none(teams.recovering, shape, np.bool_),
        unfit_blind=_or_none(teams.unfit_blind, shape, np.bool_),
    )


def _or_none(column: npt.NDArray[Any], shape: tuple[int, ...], kind: type) -> npt.NDArray[Any]:
    """The column, or one in which nothing is unfit where nobody looked."""
    return column if column.size else np.zeros(shape, dtype=kind)


def _step(row: list[int], figures: list[float], width_ms: int) -> Step:
    slot, team, direction, family, what, kind, level, since, recurrences, seen, evaluable, flagged, peak_slot = row
    peak, discards, peak_at = figures
    return Step(
        team,
        direction,
        family,
        STEPS[what],
        at_ms=(slot + 1) * width_ms,
        kind=Kind(kind),
        level=level,
        since_ms=since * width_ms,
        recurrences=recurrences,
        seen=seen,
        evaluable=evaluable,
        flagged=flagged,
        peak=peak,
        peak_ms=peak_slot * width_ms,
        peak_at=int(peak_at),
        discards=discards,
    )
