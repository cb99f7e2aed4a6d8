"""Members that are up and yet must not be used: found, marked, and left out of their siblings.

A member is *one-sided* when it sends and nothing addressed to it comes in while its siblings
receive, *unanswered* when nearly all it sends is broadcast and nothing addressed to it comes in
while a sibling is answered, *sick* when it receives damaged frames. It is `broken` from the
window that makes it so until windows running refute it; what is missing does neither. That a
member only sends, or only receives, is no sign by itself.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from service.rules.bundle_states import FAR_NOT_DISTRIBUTING, NAMES, OWN_NOT_DISTRIBUTING, TWO_PARTNERS
from service.rules.kinds import seats_of
from service.rules.state import LifeState
from service.rules.table import RuleTable, windows_in
from service.rules.unfit_loop import MARK_OF, Fitness, Seen, Signs, follow
from service.terms import (
    UNFIT_KINDS,
    UNKNOWN,
    Bytes,
    Ints,
    Layout,
    Mark,
    Marks,
    MemberWindows,
    Span,
    TeamWindows,
    Truths,
    WhyNot,
)

HOLE_S = 120  # so long untold, and the windows running start anew


def marked(
    state: LifeState, members: MemberWindows, layout: Layout, rules: RuleTable, broken: Bytes | None = None
) -> tuple[LifeState, MemberWindows, Signs]:
    """The state after the windows of `members`, these with unfit members marked, and what was found of teams.

    `broken` (n_ports,) is what the states of bundles say, as positions in `bundle_states.NAMES`.

    Raises
    ------
    ValueError
        Where the windows start before the state ends.
    """
    members = _as_told(_unmarked(members), broken)
    after, span = _copied(state), members.span
    gap = 0 if state.next_slot == UNKNOWN else span.first_ms // span.width_ms - state.next_slot
    if gap < 0:
        raise ValueError(f"windows from {span.first_ms} were asked of a state that stands after them")
    signs = _room_for(len(layout.teams), span)
    follow(_seen(members), seats_of(layout), rules.clear_windows, gap, _hole(span), False, _fitness(after), signs)
    return after, _with_unfit(members, layout, signs.members), signs


def recalled(state: LifeState, members: MemberWindows, layout: Layout, rules: RuleTable) -> tuple[LifeState, Signs]:
    """The state after windows that were decided before, as if evaluation had never stopped, and what was found then.

    A team of which these windows know nothing has the members for unfit that `state` has from its findings.
    """
    after = _copied(state)
    known = _known_teams(members, layout)
    for column in _fitness(after):
        column[known] = 0
    signs = _room_for(len(layout.teams), members.span)
    follow(_seen(members), seats_of(layout), rules.clear_windows, 0, _hole(members.span), True, _fitness(after), signs)
    return after, signs


def shown(teams: TeamWindows, signs: Signs) -> TeamWindows:
    """The windows of teams with what was found of their members."""
    return replace(teams, **{name: value for name, value in signs._asdict().items() if name != "members"})


def misbuilt(members: MemberWindows, broken: Bytes | None) -> dict[str, tuple[Ints, Ints]]:
    """Ports and windows in which members are left out because the state of their bundle says so, by diagnosis.

    Of members alone that no finding tells: one whose far end does not distribute is one-sided. A member that is
    down or on standby is not in use for that reason, whatever its state says.
    """
    if broken is None or not broken.any():
        return {}
    out = (members.marks & np.uint16(Mark.MISBUILT)) != 0
    out &= (members.why_not == WhyNot.BROKEN).any(axis=2)
    return {
        NAMES[code]: _instants(members.span, out & (broken == code)[:, np.newaxis])
        for code in (OWN_NOT_DISTRIBUTING, TWO_PARTNERS)
    }


def _instants(span: Span, there: Truths) -> tuple[Ints, Ints]:
    port, window = np.nonzero(there)
    return port.astype(np.int64), span.first_ms + window.astype(np.int64) * span.width_ms


def _copied(state: LifeState) -> LifeState:
    """The same state, with what is remembered of members in arrays of its own."""
    own = {name: column.copy() for name, column in _fitness(state)._asdict().items()}
    return replace(state, memory=state.memory._replace(**own))


def _hole(span: Span) -> int:
    return min(windows_in(HOLE_S, span.width_ms), 255)


def _fitness(state: LifeState) -> Fitness:
    memory = state.memory
    return Fitness(memory.unfit, memory.spell, memory.age, memory.hole)


def _room_for(n_teams: int, span: Span) -> Signs:
    def of(kind: type, last: int = 2) -> Any:
        return np.empty((n_teams, span.count, last), dtype=kind)

    return Signs(
        unfit=of(np.uint8),
        unfit_kind=of(np.uint8),
        unfit_age=of(np.uint8),
        recovering=of(np.bool_),
        unfit_blind=of(np.bool_),
        members=of(np.uint8, len(UNFIT_KINDS)),
    )


def _seen(members: MemberWindows) -> Seen:
    types = {"utilisation": np.float64, "why_not": np.uint8, "speed_bps": np.int64, "marks": np.uint16}
    return Seen(*(_plain(_whole(members, name), types.get(name, np.float32)) for name in Seen._fields))


def _whole(members: MemberWindows, name: str) -> npt.NDArray[Any]:
    """A column, unknown everywhere where nobody measured it."""
    column: npt.NDArray[Any] = getattr(members, name)
    return column if len(column) == len(members.marks) else np.full(members.utilisation.shape, np.nan, np.float32)


def _plain(column: npt.NDArray[Any], kind: type) -> npt.NDArray[Any]:
    return np.require(column, dtype=kind, requirements=["C", "W"])


def _known_teams(members: MemberWindows, layout: Layout) -> Truths:
    """Of which teams any window tells anything, shape (n_teams,)."""
    told = (members.why_not != WhyNot.NO_DATA).any(axis=(1, 2)) | (members.marks != 0).any(axis=1)
    there = layout.members != UNKNOWN
    known: Truths = (told[np.where(there, layout.members, 0)] & there).any(axis=1)
    return known


def _unmarked(members: MemberWindows) -> MemberWindows:
    """The windows without what was decided of them before, where they are decided anew."""
    before = (members.marks & UNFIT_MARKS) != 0
    if not before.any():
        return members
    only = before & ((members.marks & STATE_MARKS) == 0)
    freed = only[..., np.newaxis] & (members.why_not == WhyNot.BROKEN)
    why_not = np.where(freed, np.uint8(WhyNot.ELIGIBLE), members.why_not)
    return replace(members, marks=members.marks & ~UNFIT_MARKS, why_not=why_not)


def _as_told(members: MemberWindows, broken: Bytes | None) -> MemberWindows:
    """The windows with what the states of bundles say of ports, where anything was heard of them."""
    if broken is None or not broken.any():
        return members
    heard = (members.why_not != WhyNot.NO_DATA).any(axis=2) & (broken > 0)[:, np.newaxis]
    mark = np.where(broken == FAR_NOT_DISTRIBUTING, Mark.FAR_SILENT, Mark.MISBUILT).astype(np.uint16)
    marks = members.marks | np.where(heard, mark[:, np.newaxis], np.uint16(0))
    return replace(members, marks=marks, why_not=_left_out(members.why_not, heard))


def _with_unfit(members: MemberWindows, layout: Layout, unfit: Bytes) -> MemberWindows:
    """The windows with members marked and broken where `unfit`, shape (n_teams, n_windows, kinds), has their bits."""
    teams = np.flatnonzero(unfit.any(axis=(1, 2)))
    if len(teams) == 0:
        return members
    marks: Marks = members.marks.copy()
    for team in teams.tolist():
        for position, port in enumerate(layout.members[team].tolist()):
            for kind, mark in enumerate(MARK_OF):
                if port != UNKNOWN:
                    marks[port] |= np.where(unfit[team, :, kind] >> position & 1, np.uint16(mark), np.uint16(0))
    return replace(members, marks=marks, why_not=_left_out(members.why_not, (marks & UNFIT_MARKS) != 0))


STATE_MARKS = np.uint16(Mark.FAR_SILENT | Mark.MISBUILT)
UNFIT_MARKS = np.uint16(sum(MARK_OF))


def _left_out(why_not: Bytes, there: Truths) -> Bytes:
    """The reasons, with `broken` where a member would have been eligible."""
    left: Bytes = np.where(there[..., np.newaxis] & (why_not == WhyNot.ELIGIBLE), np.uint8(WhyNot.BROKEN), why_not)
    return left
