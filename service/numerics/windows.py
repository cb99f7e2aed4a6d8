"""From intervals to windows: every port's utilisation in every slot of time, with bounds and coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.numerics.count_loop import describe, lay_counts, share_medium
from service.numerics.intervals import plain
from service.numerics.window_loop import (
    SEEN_DOWN,
    SEEN_UP,
    SUMS_OF_ALL,
    SUMS_OF_OCTETS,
    SUMS_ON_WIRE,
    Figures,
    Grid,
    Ports,
    Rows,
    find_windows,
    finish,
    frame_extras,
    lay_octets,
    lay_states,
)
from service.terms import (
    Basis,
    FactsTable,
    Floats,
    Form,
    Intervals,
    Ints,
    Mark,
    MemberWindows,
    OperStatus,
    Role,
    Span,
    Truths,
    WhyNot,
)

HOT_ABOVE = 0.75
COVERAGE_MIN = 0.8
WIDE_BITS = 64
ABSURD_BPS = 10**14  # a hundred times what a port does; below it, octets of two windows of an hour fit 64 bits
# Windows in work at a time: their sums then stay in the processor's own memory (112 to 240 bytes each).
SCRATCH_WINDOWS = 8192


def member_windows(
    intervals: Intervals,
    facts: FactsTable,
    n_ports: int,
    span: Span,
    *,
    coverage_min: float = COVERAGE_MIN,
    hot_above: float = HOT_ABOVE,
    doubtful: Truths | None = None,
) -> MemberWindows:
    """Every port in every window of a span.

    Parameters
    ----------
    intervals : Intervals
        Sorted by port; those outside the span, or straddling its ends, are welcome.
    coverage_min : float
        Share of a window that intervals must cover for a member to be eligible; from half a
        window a value is shown as partial, below that there is none.
    hot_above : float
        The line that `uncertain` marks are about.
    doubtful : bool, shape (n_ports,) or (n_ports, n_windows), optional
        Where the claimed speed is not believed: no utilisation there.

    Returns
    -------
    MemberWindows
        Utilisation is 8 x octets / (speed x covered seconds), on wire where every interval of
        the window has frames, never clamped, NaN where unknown.

    Source
    ------
    Utilisation per direction: RFC 7424 section 5.6.1; on wire: RFC 2819 etherStatsOctets, with 20
    octets of preamble, delimiter and gap a frame (IEEE 802.3).
    """
    out = room_for(n_ports, span.count, described=True)
    lay_all(intervals, ports_of(facts), Grid(span.first_ms, span.width_ms, coverage_min, hot_above), 0, out)
    windows = windows_of(out, span)
    return windows if doubtful is None else without_doubtful(windows, doubtful)


def without_doubtful(windows: MemberWindows, doubtful: Truths) -> MemberWindows:
    """The same windows without utilisation where the port's claimed speed is not believed.

    `doubtful` has shape (n_ports,) or (n_ports, n_windows). A reason that says more, such as
    standby or down, stays.
    """
    if not doubtful.any():
        return windows
    there = np.broadcast_to(doubtful.reshape(len(doubtful), -1), windows.marks.shape)
    both = there[:, :, np.newaxis]
    softer = np.isin(windows.why_not, (WhyNot.ELIGIBLE, WhyNot.PARTIAL, WhyNot.SPEED_CHANGED))
    return replace(
        windows,
        utilisation=np.where(both, np.nan, windows.utilisation),
        lower=np.where(both, np.float32(np.nan), windows.lower),
        upper=np.where(both, np.float32(np.nan), windows.upper),
        basis=np.where(both, np.uint8(Basis.NONE), windows.basis),
        marks=np.where(there, windows.marks | np.uint16(Mark.SPEED_DOUBTFUL), windows.marks),
        why_not=np.where(both & softer, np.uint8(WhyNot.SPEED_DOUBTFUL), windows.why_not),
    )


def ports_of(facts: FactsTable) -> Ports:
    """The facts that windows need, as the loop takes them."""
    up = (facts.oper == OperStatus.UP) * SEEN_UP
    down = ((facts.oper != OperStatus.UP) & (facts.oper != OperStatus.NOT_TOLD)) * SEEN_DOWN
    role = (facts.role == Role.STANDBY) * int(Mark.STANDBY) + (facts.role == Role.OUT) * int(Mark.OUT)
    shared = (facts.half_duplex != 0) * int(Mark.SHARED)
    is_64 = (facts.counter_bits == WIDE_BITS) & (facts.form != Form.RATE)
    is_known = (facts.speed_bps > 0) & (facts.speed_bps < ABSURD_BPS)
    return Ports(
        speed_bps=plain(facts.speed_bps, np.int64),
        frame_extra=plain(frame_extras(facts.counts), np.int64),
        seen=plain(up + down + role + shared, np.int64),
        is_steady=is_64 & is_known & (shared == 0),
        any_shared=bool(shared.any()),
    )


def room_for(n_ports: int, n_windows: int, *, described: bool) -> Figures:
    """Unwritten arrays for the figures of some ports; without bounds, packets and speeds where `described` is false."""
    shape = (n_ports, n_windows, 2)
    more = shape if described else (0, 0, 2)
    return Figures(
        utilisation=np.empty(shape, dtype=np.float64),
        coverage=np.empty(shape, dtype=np.float32),
        basis=np.empty(shape, dtype=np.uint8),
        marks=np.empty((n_ports, n_windows), dtype=np.uint16),
        why_not=np.empty(shape, dtype=np.uint8),
        speed_bps=np.empty(shape[:2] if described else (0, 0), dtype=np.int64),
        lower=np.empty(more, dtype=np.float32),
        upper=np.empty(more, dtype=np.float32),
        discard_ratio=np.empty(more, dtype=np.float32),
        packets=np.empty(more, dtype=np.float32),
        mcast=np.empty(more, dtype=np.float32),
        bcast=np.empty(more, dtype=np.float32),
        errors=np.empty(more, dtype=np.float32),
    )


def lay_all(intervals: Intervals, ports: Ports, grid: Grid, first_port: int, out: Figures) -> None:
    """Lay the intervals of the ports from `first_port` on into the windows of `out`, some ports at a time."""
    n_ports, count = out.marks.shape
    rows = _rows(intervals)
    find_windows(rows.start_ms, rows.end_ms, grid, rows.first, rows.last)
    step = max(1, SCRATCH_WINDOWS // max(count, 1))
    kept = SUMS_OF_ALL if len(out.packets) else SUMS_ON_WIRE if len(rows.frames) else SUMS_OF_OCTETS
    sums = np.empty((min(step, n_ports), count, 2, kept), dtype=np.float64)
    seen = np.empty((min(step, n_ports), count), dtype=np.int64)
    edges = np.arange(first_port, first_port + n_ports + step, step)
    cuts = np.searchsorted(rows.port, edges.astype(np.int32)).tolist()
    for number, first in enumerate(range(0, n_ports, step)):
        last = min(first + step, n_ports)
        some = Rows._make(column[cuts[number] : cuts[number + 1]] for column in rows)
        _lay(some, ports, grid, (first_port + first, first, last), (sums[: last - first], seen[: last - first]), out)


def _lay(  # noqa: PLR0917  # a step of the loop above, named
    rows: Rows, ports: Ports, grid: Grid, place: tuple[int, int, int], scratch: tuple[Floats, Ints], out: Figures
) -> None:
    """The windows of a range of ports: rows `first` to `last` of `out`, the first of them being `first_port`."""
    (first_port, first, last), (sums, seen) = place, scratch
    sums[:], seen[:] = 0.0, 0
    speed_bps = out.speed_bps[first:last] if len(out.speed_bps) else np.empty_like(seen)
    speed_bps[:] = 0
    lay_states(rows, ports, grid, first_port, seen, speed_bps)
    lay_octets(rows, ports, grid, first_port, sums, seen)
    finish(sums, seen, grid, first, out)
    if len(out.packets):
        lay_counts(rows, grid, first_port, sums)
        describe(rows, sums, grid.width_ms, first, out)
    if ports.any_shared:
        share_medium(first, last, out)


def windows_of(out: Figures, span: Span) -> MemberWindows:
    """The figures, by their names."""
    return MemberWindows(
        span=span,
        utilisation=out.utilisation,
        lower=out.lower,
        upper=out.upper,
        coverage=out.coverage,
        basis=out.basis,
        discard_ratio=out.discard_ratio,
        packets=out.packets,
        mcast=out.mcast,
        bcast=out.bcast,
        errors=out.errors,
        speed_bps=out.speed_bps,
        marks=out.marks,
        why_not=out.why_not,
    )


def _rows(intervals: Intervals) -> Rows:
    changed = intervals.changed_ms
    return Rows(
        port=plain(intervals.port, np.int32),
        start_ms=plain(intervals.start_ms, np.int64),
        end_ms=plain(intervals.end_ms, np.int64),
        facts=plain(intervals.facts, np.int32),
        facts_before=plain(intervals.facts_before, np.int32),
        octets=plain(intervals.octets, np.int64),
        frames=_told(intervals.frames),
        mcast=_told(intervals.mcast),
        bcast=_told(intervals.bcast),
        discards=_told(intervals.discards),
        errors=_told(intervals.errors),
        status=plain(intervals.status, np.uint8),
        flags=plain(intervals.flags, np.uint16),
        changed_ms=plain(changed if changed is not None else np.empty(0), np.int64),
        first=np.empty(len(intervals.port), dtype=np.int64),
        last=np.empty(len(intervals.port), dtype=np.int64),
    )


def _told(counts: Ints) -> Ints:
    """The counts, or none where they are one UNKNOWN shown everywhere."""
    return np.empty((0, 2), dtype=np.int64) if counts.strides == (0, 0) else plain(counts, np.int64)
