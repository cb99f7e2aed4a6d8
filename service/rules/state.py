"""What the life of findings remembers between two windows: small arrays, one row a team.

Instants are kept as slots: the number of a window counted from the epoch, so that a window
lies at [slot * width, (slot + 1) * width).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.rules.events import Noticed
from service.rules.severity import Depth, no_depth
from service.rules.table import HOLD_S, windows_in
from service.terms import (
    BASIS_WORDS,
    DIRECTIONS,
    FAMILY_WORDS,
    KIND_WORDS,
    MOST_MEMBERS,
    SEVERITY_ORDER,
    UNFIT_KINDS,
    UNKNOWN,
    Basis,
    Bytes,
    Codes,
    Finding,
    Layout,
    Marks,
    Singles,
    TeamName,
    Truths,
)

Slots = Codes
Positions = npt.NDArray[np.int8]
Spells = npt.NDArray[np.int16]

REMEMBERED = 64  # windows whose kind is kept
SWINGS = 20  # windows in which changes of the hot member are counted
PEAKS = 8  # windows in which the peak of what is about to be raised is sought
FAMILIES = len(FAMILY_WORDS)
COMES_AND_GOES = 3  # raises within HOLD_S

ON_WIRE_BASES = (Basis.WIRE, Basis.INFERRED)

# What is kept of a window, two octets; the low three bits are its kind, UNFIT_BITS tell which kind of unfit member.
KIND_BITS, EVALUABLE, DEGRADED_BIT, SWAPPED, ON_WIRE, UNFIT_BITS = 7, 8, 16, 32, 64, 384
UNFIT_SHIFT = 7
OLDEST = REMEMBERED - 1  # windows after which nobody counts any more how long a member has been unfit

# Columns of `life`; RAISES is the first of COMES_AND_GOES.
KIND, SEVERITY, WIRED, RAISED, SINCE, CALM, CALM_FROM, MISSING, MET, RECURRENCES, RAISES = range(11)
LIFE_COLUMNS = RAISES + COMES_AND_GOES


class Memory(NamedTuple):
    """Arrays of shape (n_teams, 2, ...): what is remembered of windows, and of findings.

    Of windows, as rings by slot: `codes`, `totals`, `peaks`, `peak_at` (member) and `discards`;
    `hot` are the last hot members and `hot_slot` says when. Of findings: `life`, shape
    (n_teams, 2, families, columns), whose KIND is 0 while none is open; RAISED, SINCE, CALM_FROM,
    MET (when a raise was last due) and the last RAISES are slots, CALM and MISSING windows
    running, WIRED whether it rests on figures on wire.

    Of members, by the position of their kind in UNFIT_KINDS: `unfit`, shape (n_teams, kinds), are
    bits of those that are unfit; `spell`, shape (n_teams, members, kinds), is for how many known
    windows running it has shown, or below 0 for how many an unfit one has not; `age` for how many
    windows in all, at most OLDEST; `hole` how many windows running nobody could tell.
    """

    codes: Marks
    totals: Singles
    peaks: Singles
    peak_at: Positions
    discards: Singles
    hot: Bytes
    hot_slot: Slots
    life: Codes
    unfit: Bytes
    spell: Spells
    age: Bytes
    hole: Bytes


OF_MEMBERS = ("unfit", "spell", "age", "hole")


@dataclass(frozen=True)
class LifeState:
    """Where the findings of a run's teams stand after the window before `next_slot` (UNKNOWN: before any)."""

    memory: Memory
    depth: Depth
    next_slot: int = UNKNOWN
    noticed: Noticed = field(default_factory=Noticed)

    def copy(self) -> LifeState:
        """The same in arrays of its own, so that a step forward leaves this one as it is.

        What is remembered of members is shared: only `unfit.marked` changes it, in a copy.
        """
        own = {name: column.copy() for name, column in self.memory._asdict().items() if name not in OF_MEMBERS}
        return LifeState(
            self.memory._replace(**own),
            Depth._make(column.copy() for column in self.depth),
            self.next_slot,
            self.noticed,
        )

    @classmethod
    def seeded(cls, layout: Layout, findings: Iterable[Finding], at_ms: int, width_ms: int) -> LifeState:
        """The state at `at_ms` as far as findings tell it; windows must be replayed for the rest.

        `findings` are those open at `at_ms` and those raised in the hour before, in any order;
        what was raised later is passed over, what was cleared later counts as open.
        """
        state = fresh(len(layout.teams))
        place = {(layout.devices[d], team.team): i for i, (d, team) in enumerate(_devices_and_teams(layout))}
        told = [f for f in findings if f.raised_ms <= at_ms and (f.device, f.team) in place]
        for finding in sorted(told, key=lambda f: f.raised_ms):
            at = (place[finding.device, finding.team], DIRECTIONS.index(finding.direction))
            _seed(state.memory, (*at, FAMILY_WORDS.index(finding.family)), finding, (at_ms, width_ms))
            _seed_unfit(state.memory, layout, at[0], finding, at_ms)
        return LifeState(state.memory, state.depth, at_ms // width_ms)


def fresh(n_teams: int) -> LifeState:
    """A state that has seen nothing."""

    def of(kind: type, *more: int, value: float = 0) -> Any:
        return np.full((n_teams, 2, *more), value, dtype=kind)

    each = (n_teams, MOST_MEMBERS, len(UNFIT_KINDS))
    memory = Memory(
        codes=of(np.uint16, REMEMBERED),
        totals=of(np.float32, SWINGS, value=np.nan),
        peaks=of(np.float32, PEAKS, value=np.nan),
        peak_at=of(np.int8, PEAKS, value=UNKNOWN),
        discards=of(np.float32, PEAKS, value=np.nan),
        hot=of(np.uint8),
        hot_slot=of(np.int32, value=UNKNOWN),
        life=of(np.int32, FAMILIES, LIFE_COLUMNS),
        unfit=np.zeros((n_teams, len(UNFIT_KINDS)), dtype=np.uint8),
        spell=np.zeros(each, dtype=np.int16),
        age=np.zeros(each, dtype=np.uint8),
        hole=np.zeros(each, dtype=np.uint8),
    )
    memory.life[..., [RAISED, SINCE, CALM_FROM, MET]] = UNKNOWN
    memory.life[..., RAISES:] = UNKNOWN
    return LifeState(memory, no_depth(n_teams))


def on_wire(basis: Bytes) -> Truths:
    """Where a figure is on wire; an inferred number of frames is an estimate of that, not of counted octets."""
    return np.isin(basis, ON_WIRE_BASES)


def _devices_and_teams(layout: Layout) -> Iterable[tuple[int, TeamName]]:
    return zip(layout.device_of_team.tolist(), layout.teams, strict=True)


def _seed_unfit(memory: Memory, layout: Layout, team: int, finding: Finding, at_ms: int) -> None:
    """Take the members that an open finding names for unfit."""
    kind = KIND_WORDS.index(finding.kind)
    if kind not in UNFIT_KINDS or (finding.cleared_ms is not None and finding.cleared_ms <= at_ms):
        return
    named = {member.port for member in finding.hot}
    for position, port in enumerate(layout.members[team].tolist()):
        if port != UNKNOWN and layout.ports[port].port in named:
            memory.unfit[team, UNFIT_KINDS.index(kind)] |= 1 << position
            memory.age[team, position, UNFIT_KINDS.index(kind)] = OLDEST


def _seed(memory: Memory, at: tuple[int, int, int], finding: Finding, now: tuple[int, int]) -> None:
    at_ms, width_ms = now
    mine = memory.life[at]
    slot = finding.raised_ms // width_ms - 1
    if slot > at_ms // width_ms - windows_in(HOLD_S, width_ms) - 1:
        mine[RAISES:] = [slot, *mine[RAISES:-1]]
    if finding.cleared_ms is not None and finding.cleared_ms <= at_ms:
        return
    mine[KIND] = KIND_WORDS.index(finding.kind)
    mine[SEVERITY] = SEVERITY_ORDER.index(finding.severity)
    mine[WIRED] = BASIS_WORDS.index(finding.basis) in ON_WIRE_BASES
    mine[RAISED] = slot
    mine[SINCE] = finding.since_ms // width_ms
    mine[RECURRENCES] = finding.recurrences
