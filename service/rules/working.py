"""Where a figure comes from: the readings, differences, seconds and speed behind one member in one window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from service.numerics.window_loop import frame_extras
from service.terms import (
    BASIS_WORDS,
    DIRECTIONS,
    FLAG_WORDS,
    STATUS_WORDS,
    UNKNOWN,
    WHY_NOT_WORDS,
    Basis,
    FactsTable,
    Form,
    Intervals,
    Ints,
    Layout,
    Mark,
    MemberWindows,
    Samples,
    Status,
)


@dataclass(frozen=True)
class Part:
    """One interval's share in a window; readings are the octet counter's, None where there is none."""

    start_ms: int
    end_ms: int
    reading_before: int | None
    reading_after: int | None
    wraps: int
    octets: int | None
    frames: int | None
    overlap_ms: int
    speed_bps: int
    status: str
    flags: tuple[str, ...]


@dataclass(frozen=True)
class Working:
    """One member in one window and direction, with all that its figure rests on; None is unknown."""

    device: str
    port: str
    direction: str
    start_ms: int
    end_ms: int
    parts: tuple[Part, ...]
    covered_ms: int
    coverage: float
    speed_bps: int
    speed_source: str
    added_per_frame: int  # octets on the wire besides those counted
    basis: str
    shared: bool
    utilisation: float | None
    lower: float | None
    upper: float | None
    why_not: str

    def by_hand(self) -> float | None:
        """The utilisation worked out anew in fractions of whole numbers, from the parts alone.

        None where nothing is covered, the speed is unknown, or the medium is shared: there the
        other direction counts too.
        """
        used = [part for part in self.parts if part.status == STATUS_WORDS[Status.OK] and part.octets is not None]
        capacity = sum(part.speed_bps * part.overlap_ms for part in used)
        if self.shared or capacity == 0 or self.basis == BASIS_WORDS[Basis.NONE]:
            return None
        added = 0 if self.basis == BASIS_WORDS[Basis.COUNTED] else self.added_per_frame
        octets = sum(
            Fraction(((part.octets or 0) + added * (part.frames or 0)) * part.overlap_ms, part.end_ms - part.start_ms)
            for part in used
        )
        return float(8000 * octets / capacity)


@dataclass(frozen=True)
class Source:
    """What a run worked with; intervals are rows of `samples`, `before` holds at most one row a port.

    `set_bps` (n_ports,) are the speeds that an operator set, 0 where nobody did; `far_ends` names
    the far end by whose speed a port was judged.
    """

    samples: Samples
    before: Samples | None
    intervals: Intervals
    facts: FactsTable
    layout: Layout
    members: MemberWindows
    set_bps: Ints | None = None
    far_ends: Mapping[int, str] = field(default_factory=dict)


def working(source: Source, port: int, window: int, direction: int) -> Working:
    """The working of the port at a position of the layout, in a window of the span, in a direction."""
    span = source.members.span
    start_ms = span.first_ms + window * span.width_ms
    parts = _parts(source, port, (start_ms, start_ms + span.width_ms), direction)
    at = (port, window, direction)
    speed_bps = int(source.members.speed_bps[port, window])
    rows = np.flatnonzero(source.intervals.port == port)
    counts = source.facts.counts[source.intervals.facts[rows[-1:]]]
    set_bps = 0 if source.set_bps is None else int(source.set_bps[port])
    covered_ms = sum(part.overlap_ms for part in parts if part.status == STATUS_WORDS[Status.OK])
    return Working(
        device=source.layout.ports[port].device,
        port=source.layout.ports[port].port,
        direction=DIRECTIONS[direction],
        start_ms=start_ms,
        end_ms=start_ms + span.width_ms,
        parts=parts,
        covered_ms=covered_ms,
        coverage=covered_ms / span.width_ms,
        speed_bps=speed_bps,
        speed_source=speed_source(speed_bps, set_bps, source.far_ends.get(port, "")),
        added_per_frame=int(frame_extras(counts)[0]) if len(counts) else 0,
        basis=BASIS_WORDS[int(source.members.basis[at])],
        shared=bool(int(source.members.marks[port, window]) & Mark.SHARED),
        utilisation=_known(source.members.utilisation[at]),
        lower=_known(source.members.lower[at]),
        upper=_known(source.members.upper[at]),
        why_not=WHY_NOT_WORDS[int(source.members.why_not[at])],
    )


def speed_source(speed_bps: int, set_bps: int = 0, far_end: str = "") -> str:
    """Where a speed in bit/s is from: an operator's word goes before the far end's, that before the samples'."""
    if set_bps > 0:
        return "set by the operator"
    if far_end:
        return f"told by the far end of its cable, {far_end}"
    return "told with the samples" if speed_bps > 0 else "unknown"


def _parts(source: Source, port: int, window_ms: tuple[int, int], direction: int) -> tuple[Part, ...]:
    told = source.intervals
    inside = (told.port == port) & (told.end_ms > window_ms[0]) & (told.start_ms < window_ms[1])
    rows = np.flatnonzero(inside & (told.status[:, direction] != Status.NONE))
    return tuple(_part(source, int(row), window_ms, direction) for row in rows)


def _part(source: Source, row: int, window_ms: tuple[int, int], direction: int) -> Part:
    told = source.intervals
    start_ms, end_ms = int(told.start_ms[row]), int(told.end_ms[row])
    octets = _whole(told.octets[row, direction])
    before, after = _reading_before(source, row, direction), _reading(source.samples, row, direction)
    return Part(
        start_ms=start_ms,
        end_ms=end_ms,
        reading_before=before,
        reading_after=after,
        wraps=_wraps(source, row, octets, (before, after)),
        octets=octets,
        frames=_whole(told.frames[row, direction]),
        overlap_ms=min(end_ms, window_ms[1]) - max(start_ms, window_ms[0]),
        speed_bps=int(source.facts.speed_bps[told.facts[row]]),
        status=STATUS_WORDS[int(told.status[row, direction])],
        flags=tuple(word for flag, word in FLAG_WORDS.items() if int(told.flags[row, direction]) & flag),
    )


def _wraps(source: Source, row: int, octets: int | None, readings: tuple[int | None, int | None]) -> int:
    """How often the counter went round: what was carried, less what the readings differ by, in rounds."""
    before, after = readings
    if octets is None or before is None or after is None:
        return 0
    facts = source.intervals.facts[row]
    if source.facts.form[facts] == Form.RATE:
        return 0
    bits = int(source.facts.counter_bits[facts])
    return (octets - (after - before)) >> bits


def _reading(samples: Samples, row: int, direction: int) -> int | None:
    """The octet counter of a row; column `direction` of COUNTERS."""
    if direction not in samples.columns or not int(samples.known[row]) >> direction & 1:
        return None
    return int(samples.counters[row, samples.columns.index(direction)])


def _reading_before(source: Source, row: int, direction: int) -> int | None:
    samples = source.samples
    if row > 0 and samples.port[row - 1] == samples.port[row]:
        return _reading(samples, row - 1, direction)
    if source.before is None:
        return None
    carried = np.flatnonzero(source.before.port == samples.port[row])
    return _reading(source.before, int(carried[0]), direction) if len(carried) else None


def _whole(value: np.int64) -> int | None:
    return None if value == UNKNOWN else int(value)


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
