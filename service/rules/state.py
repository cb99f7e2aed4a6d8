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
    SEVERITY_ORDER,
    UNKNOWN,
    Basis,
    Bytes,
    Codes,
    Finding,
    Layout,
    Singles,
    TeamName,
    Truths,
)

Slots = Codes
Positions = npt.NDArray[np.int8]

REMEMBERED = 64  # windows whose kind is kept
SWINGS = 20  # windows in which changes of the hot member are counted
PEAKS = 8  # windows in which the peak of what is about to be raised is sought
FAMILIES = len(FAMILY_WORDS)
COMES_AND_GOES = 3  # raises within HOLD_S

ON_WIRE_BASES = (Basis.WIRE, Basis.INFERRED)

# What is kept of a window, one octet; its low three bits are its kind.
KIND_BITS, EVALUABLE, DEGRADED_BIT, SWAPPED, ON_WIRE = 7, 8, 16, 32, 64


class Memory(NamedTuple):
    """Arrays of shape (n_teams, 2, ...); what they say of windows alone, and what of findings.

    Of windows: `codes` and `totals`, `peaks`, `peak_at` (member), `discards` as rings by slot,
    `hot` the last hot members and `hot_slot` when. Of findings, a family each on the last axis:
    `kind` is 0 while none is open, `raised` and `since` slots, `calm` windows running from
    `calm_from`, `missing` windows running, `met` the slot in which the raise was last due,
    `raises` the last three slots of raises.
    """

    codes: Bytes
    totals: Singles
    peaks: Singles
    peak_at: Positions
    discards: Singles
    hot: Bytes
    hot_slot: Slots
    kind: Bytes
    severity: Bytes
    on_wire: Truths
    raised: Slots
    since: Slots
    calm: Codes
    calm_from: Slots
    missing: Codes
    met: Slots
    raises: Slots
    recurrences: Codes


@dataclass(frozen=True)
class LifeState:
    """Where the findings of a run's teams stand after the window before `next_slot` (UNKNOWN: before any)."""

    memory: Memory
    depth: Depth
    next_slot: int = UNKNOWN
    noticed: Noticed = field(default_factory=Noticed)

    def copy(self) -> LifeState:
        """The same in arrays of its own, so that a step forward leaves this one as it is."""
        return LifeState(
            Memory._make(column.copy() for column in self.memory),
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
        return LifeState(state.memory, state.depth, at_ms // width_ms)


def fresh(n_teams: int) -> LifeState:
    """A state that has seen nothing."""

    def of(kind: type, *more: int, value: float = 0) -> Any:
        return np.full((n_teams, 2, *more), value, dtype=kind)

    memory = Memory(
        codes=of(np.uint8, REMEMBERED),
        totals=of(np.float32, SWINGS, value=np.nan),
        peaks=of(np.float32, PEAKS, value=np.nan),
        peak_at=of(np.int8, PEAKS, value=UNKNOWN),
        discards=of(np.float32, PEAKS, value=np.nan),
        hot=of(np.uint8),
        hot_slot=of(np.int32, value=UNKNOWN),
        kind=of(np.uint8, FAMILIES),
        severity=of(np.uint8, FAMILIES),
        on_wire=of(np.bool_, FAMILIES),
        raised=of(np.int32, FAMILIES, value=UNKNOWN),
        since=of(np.int32, FAMILIES, value=UNKNOWN),
        calm=of(np.int32, FAMILIES),
        calm_from=of(np.int32, FAMILIES, value=UNKNOWN),
        missing=of(np.int32, FAMILIES),
        met=of(np.int32, FAMILIES, value=UNKNOWN),
        raises=of(np.int32, FAMILIES, COMES_AND_GOES, value=UNKNOWN),
        recurrences=of(np.int32, FAMILIES),
    )
    return LifeState(memory, no_depth(n_teams))


def on_wire(basis: Bytes) -> Truths:
    """Where a figure is on wire; an inferred number of frames is an estimate of that, not of counted octets."""
    return np.isin(basis, ON_WIRE_BASES)


def _devices_and_teams(layout: Layout) -> Iterable[tuple[int, TeamName]]:
    return zip(layout.device_of_team.tolist(), layout.teams, strict=True)


def _seed(memory: Memory, at: tuple[int, int, int], finding: Finding, now: tuple[int, int]) -> None:
    at_ms, width_ms = now
    slot = finding.raised_ms // width_ms - 1
    if slot > at_ms // width_ms - windows_in(HOLD_S, width_ms) - 1:
        memory.raises[at] = [slot, *memory.raises[at][:-1]]
    if finding.cleared_ms is not None and finding.cleared_ms <= at_ms:
        return
    memory.kind[at] = KIND_WORDS.index(finding.kind)
    memory.severity[at] = SEVERITY_ORDER.index(finding.severity)
    memory.on_wire[at] = BASIS_WORDS.index(finding.basis) in ON_WIRE_BASES
    memory.raised[at] = slot
    memory.since[at] = finding.since_ms // width_ms
    memory.recurrences[at] = finding.recurrences
