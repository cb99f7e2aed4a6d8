"""The loop that lays intervals into windows.

An interval's octets are taken as spread evenly over its time. The loop is compiled;
everything it calls stands in this file.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from service.numerics.compiled import compiled
from service.terms import Basis, Bytes, Codes, Counts, Flag, Floats, Ints, Mark, Marks, Singles, Status, WhyNot

OK = int(Status.OK)
MERGED = int(Flag.MERGED_PACKETS)
NO_FCS, PAYLOAD = int(Counts.NO_FCS), int(Counts.PAYLOAD)
NO_BASIS, COUNTED, WIRE, INFERRED = int(Basis.NONE), int(Basis.COUNTED), int(Basis.WIRE), int(Basis.INFERRED)
ELIGIBLE, NO_DATA, PARTIAL = int(WhyNot.ELIGIBLE), int(WhyNot.NO_DATA), int(WhyNot.PARTIAL)
IS_STANDBY, IS_OUT, IS_DOWN, FLAPPED = int(WhyNot.STANDBY), int(WhyNot.OUT), int(WhyNot.DOWN), int(WhyNot.FLAP)
SPEED_UNKNOWN, NEW_SPEED = int(WhyNot.SPEED_UNKNOWN), int(WhyNot.SPEED_CHANGED)
DOWN, FLAP, STANDBY, OUT = int(Mark.DOWN), int(Mark.FLAP), int(Mark.STANDBY), int(Mark.OUT)
SPEED_CHANGED, SHARED, MERGED_PACKETS = int(Mark.SPEED_CHANGED), int(Mark.SHARED), int(Mark.MERGED_PACKETS)
UNCERTAIN_EGRESS = int(Mark.UNCERTAIN_EGRESS)
MARKS = DOWN | FLAP | STANDBY | OUT | SPEED_CHANGED | SHARED | MERGED_PACKETS

# What was seen besides marks, in bits above them.
SEEN_UP, SEEN_DOWN = 1 << 16, 1 << 17
STRADDLED = 1 << 18  # an interval longer than half a window crosses an edge
# For each direction, from this bit on: what at least one interval of the window lacked.
LACKS = 1 << 20
NO_SPEED, NO_FRAMES, NO_MCAST, NO_BCAST, NO_DISCARDS, NO_ERRORS, SOME_INFERRED = (LACKS << bit for bit in range(7))
DIRECTION_BITS = 8

# Sums of a window and direction.
(
    COVERED,  # ms
    CAPACITY,  # bit/s x ms
    CAPACITY_LOW,
    CAPACITY_HIGH,
    OCTETS,
    LOW,
    HIGH,
    ON_WIRE,  # octets and what each frame adds
    LOW_ON_WIRE,
    HIGH_ON_WIRE,
    FRAMES,
    MCAST,
    BCAST,
    DISCARDS,
    ERRORS,
    SUMS,
) = range(16)

SHOWN_FROM = 0.5  # below half a window of coverage nothing is said
CERTAIN_BY = 0.02  # bounds this far on both sides of the hot line make a value uncertain
# Preamble 7, start delimiter 1, gap 12 (IEEE 802.3); check sequence 4; header 14.
WIRE_EXTRA_FRAME, WIRE_EXTRA_NO_FCS, WIRE_EXTRA_PAYLOAD = 20, 24, 38


class Rows(NamedTuple):
    """Intervals as the loop takes them, sorted by port; counts that nobody tells have length 0."""

    port: Codes
    start_ms: Ints
    end_ms: Ints
    facts: Codes
    facts_before: Codes
    octets: Ints
    frames: Ints
    mcast: Ints
    bcast: Ints
    discards: Ints
    errors: Ints
    status: Bytes
    flags: Marks
    changed_ms: Ints


class Ports(NamedTuple):
    """Facts as the loop takes them: speed, octets that a frame adds on the wire, and what is seen of state and role."""

    speed_bps: Ints
    frame_extra: Ints
    seen: Ints


class Grid(NamedTuple):
    """Where the windows lie, and the lines that values are held against."""

    first_ms: int
    width_ms: int
    coverage_min: float
    hot_above: float


class Figures(NamedTuple):
    """Results, shape (n_ports, n_windows[, 2]); `lower` to `errors` have no windows where nobody asked for them."""

    utilisation: Floats
    coverage: Singles
    basis: Bytes
    marks: Marks
    why_not: Bytes
    speed_bps: Ints
    lower: Singles
    upper: Singles
    discard_ratio: Singles
    packets: Singles
    mcast: Singles
    bcast: Singles
    errors: Singles


Scratch = npt.NDArray[np.float64]


@compiled
def all_windows(rows: Rows, ports: Ports, grid: Grid, first_port: int, sums: Scratch, seen: Ints, out: Figures) -> None:
    """Every port's windows. `sums` (n_windows, 2, SUMS) and `seen` (n_windows, 2) are used for one port after another."""
    row = 0
    for place in range(len(out.utilisation)):
        port = first_port + place
        sums[:] = 0.0
        seen[:] = 0
        out.speed_bps[place] = 0
        while row < len(rows.port) and rows.port[row] == port:
            lay(rows, row, ports, grid, sums, seen, out.speed_bps[place])
            row += 1
        for window in range(len(seen)):
            finish(sums[window], seen[window, 0], grid, place, window, out)


@compiled
def lay(rows: Rows, row: int, ports: Ports, grid: Grid, sums: Scratch, seen: Ints, speed_bps: Ints) -> None:
    """Lay one interval into the windows that it touches."""
    start_ms, end_ms = rows.start_ms[row], rows.end_ms[row]
    facts, before = rows.facts[row], rows.facts_before[row]
    last = (end_ms - 1 - grid.first_ms) // grid.width_ms
    first = (start_ms - grid.first_ms) // grid.width_ms
    mark_change(rows, row, grid, seen)
    if rows.status[row, 0] != OK and rows.status[row, 1] != OK:
        # Nothing is known between the two samples, only what each said of the port at its own instant.
        if 0 <= first < len(seen) and start_ms < end_ms:
            seen[first, 0] |= ports.seen[before]
        if 0 <= last < len(seen):
            seen[last, 0] |= ports.seen[facts]
            speed_bps[last] = ports.speed_bps[facts]
        return
    bits = ports.seen[facts] | ports.seen[before]
    for window in range(max(first, 0), min(last + 1, len(seen))):
        window_ms = grid.first_ms + window * grid.width_ms
        overlap_ms = min(end_ms, window_ms + grid.width_ms) - max(start_ms, window_ms)
        seen[window, 0] |= bits
        speed_bps[window] = ports.speed_bps[facts]
        if overlap_ms < end_ms - start_ms and 2 * (end_ms - start_ms) > grid.width_ms:
            seen[window, 0] |= STRADDLED
        for direction in range(2):
            if rows.status[row, direction] == OK:
                add(
                    rows,
                    row,
                    direction,
                    ports,
                    max(start_ms, window_ms),
                    overlap_ms,
                    sums[window, direction],
                    seen,
                    window,
                )


@compiled
def mark_change(rows: Rows, row: int, grid: Grid, seen: Ints) -> None:
    """A port that changed its state inside a window flapped in it, even if it is up at both ends."""
    if len(rows.changed_ms) > 0 and rows.changed_ms[row] >= grid.first_ms:
        window = (rows.changed_ms[row] - grid.first_ms) // grid.width_ms
        if window < len(seen):
            seen[window, 0] |= FLAP


@compiled
def add(
    rows: Rows,
    row: int,
    direction: int,
    ports: Ports,
    from_ms: int,
    overlap_ms: int,
    total: npt.NDArray[np.float64],
    seen: Ints,
    window: int,
) -> None:
    """Add an interval's part in a window to the window's sums of one direction."""
    length_ms = rows.end_ms[row] - rows.start_ms[row]
    shift = direction * DIRECTION_BITS
    octets = float(rows.octets[row, direction])
    frames = rows.frames[row, direction] if len(rows.frames) > 0 else -1
    speed = ports.speed_bps[rows.facts[row]]
    total[COVERED] += overlap_ms
    if speed <= 0:
        seen[window, 0] |= NO_SPEED << shift
    else:
        add_capacity(rows, row, ports, from_ms, overlap_ms, total, seen, window)
    # Sums of whole octets stay exact in a float: a window at 1.6 Tbit/s holds 6e12 of them, a float counts to 9e15.
    total[OCTETS] += octets * overlap_ms / length_ms
    inside, outside = speed * (overlap_ms / 8000.0), speed * ((length_ms - overlap_ms) / 8000.0)
    total[LOW] += least(octets, overlap_ms, length_ms, outside)
    total[HIGH] += largest(octets, overlap_ms, length_ms, inside)
    if frames < 0:
        seen[window, 0] |= NO_FRAMES << shift
    else:
        on_wire = octets + frames * ports.frame_extra[rows.facts[row]]
        total[ON_WIRE] += on_wire * overlap_ms / length_ms
        total[LOW_ON_WIRE] += least(on_wire, overlap_ms, length_ms, outside)
        total[HIGH_ON_WIRE] += largest(on_wire, overlap_ms, length_ms, inside)
        total[FRAMES] += frames * (overlap_ms / length_ms)
        if rows.flags[row, direction] & MERGED:
            seen[window, 0] |= SOME_INFERRED << shift
    part = overlap_ms / length_ms
    add_count(rows.mcast, row, direction, part, total, MCAST, NO_MCAST << shift, seen, window)
    add_count(rows.bcast, row, direction, part, total, BCAST, NO_BCAST << shift, seen, window)
    add_count(rows.discards, row, direction, part, total, DISCARDS, NO_DISCARDS << shift, seen, window)
    add_count(rows.errors, row, direction, part, total, ERRORS, NO_ERRORS << shift, seen, window)


@compiled
def add_capacity(
    rows: Rows,
    row: int,
    ports: Ports,
    from_ms: int,
    overlap_ms: int,
    total: npt.NDArray[np.float64],
    seen: Ints,
    window: int,
) -> None:
    """Add what the port could have carried; a changed speed counts from its moment, or bounds the value where unknown."""
    speed, earlier = ports.speed_bps[rows.facts[row]], ports.speed_bps[rows.facts_before[row]]
    low = high = usual = float(speed) * overlap_ms
    if speed != earlier and earlier > 0:
        seen[window, 0] |= SPEED_CHANGED
        moment = rows.changed_ms[row] if len(rows.changed_ms) > 0 else -1
        if rows.start_ms[row] < moment < rows.end_ms[row]:
            slow_ms = min(max(moment - from_ms, 0), overlap_ms)
            low = high = usual = float(earlier) * slow_ms + float(speed) * (overlap_ms - slow_ms)
        else:
            low, high = float(min(speed, earlier)) * overlap_ms, float(max(speed, earlier)) * overlap_ms
    total[CAPACITY] += usual
    total[CAPACITY_LOW] += low
    total[CAPACITY_HIGH] += high


@compiled
def add_count(
    counts: Ints,
    row: int,
    direction: int,
    part: float,
    total: npt.NDArray[np.float64],
    sum_of: int,
    lacking: int,
    seen: Ints,
    window: int,
) -> None:
    """Add the part of a count that falls into a window, or note that it is lacking."""
    if len(counts) == 0 or counts[row, direction] < 0:
        seen[window, 0] |= lacking
    else:
        total[sum_of] += counts[row, direction] * part


@compiled
def least(octets: float, overlap_ms: int, length_ms: int, fits_outside: float) -> float:
    """The fewest octets that fell inside: what cannot have been carried outside at line rate."""
    if overlap_ms == length_ms:
        return octets
    return min(max(0.0, octets - fits_outside), octets * overlap_ms / length_ms)


@compiled
def largest(octets: float, overlap_ms: int, length_ms: int, fits_inside: float) -> float:
    """The most octets that fell inside: all of them, or what line rate lets in."""
    if overlap_ms == length_ms:
        return octets
    return max(min(octets, fits_inside), octets * overlap_ms / length_ms)


@compiled
def finish(total: npt.NDArray[np.float64], bits: int, grid: Grid, place: int, window: int, out: Figures) -> None:
    """Turn a window's sums into its figures, both directions."""
    marks = bits & MARKS
    if bits & SEEN_DOWN:
        marks |= FLAP if bits & SEEN_UP else DOWN
    wanted = len(out.lower) > 0
    low = high = 0.0
    for direction in range(2):
        mine = bits >> (direction * DIRECTION_BITS)
        sums = total[direction]
        coverage = sums[COVERED] / grid.width_ms
        value = np.nan
        basis = NO_BASIS
        if coverage >= SHOWN_FROM and not mine & NO_SPEED:
            basis = basis_of(mine)
            value = 8000.0 * sums[OCTETS if basis == COUNTED else ON_WIRE] / sums[CAPACITY]
            low = 8000.0 * sums[LOW if basis == COUNTED else LOW_ON_WIRE] / sums[CAPACITY_HIGH]
            high = 8000.0 * sums[HIGH if basis == COUNTED else HIGH_ON_WIRE] / sums[CAPACITY_LOW]
            if mine & SOME_INFERRED:
                marks |= MERGED_PACKETS
            if bits & STRADDLED and low < grid.hot_above - CERTAIN_BY and high > grid.hot_above + CERTAIN_BY:
                marks |= UNCERTAIN_EGRESS << direction
        out.utilisation[place, window, direction] = value
        out.coverage[place, window, direction] = coverage
        out.basis[place, window, direction] = basis
        if wanted:
            out.lower[place, window, direction] = low if basis != NO_BASIS else np.nan
            out.upper[place, window, direction] = high if basis != NO_BASIS else np.nan
            describe(sums, mine, coverage >= SHOWN_FROM, place, window, direction, out)
    for direction in range(2):
        enough = total[direction, COVERED] >= grid.coverage_min * grid.width_ms - 1e-6
        reason = reason_of(marks, out.coverage[place, window, direction], enough, bits >> (direction * DIRECTION_BITS))
        out.why_not[place, window, direction] = reason
    out.marks[place, window] = marks
    if marks & SHARED:
        share(place, window, out, wanted)


@compiled
def basis_of(bits: int) -> int:
    """One interval without frames makes the whole window counted: a value is never half on one basis."""
    if bits & NO_FRAMES:
        return COUNTED
    return INFERRED if bits & SOME_INFERRED else WIRE


@compiled
def reason_of(marks: int, coverage: float, enough: bool, bits: int) -> int:
    """Why a member is no sibling here: what it is before what is known of it."""
    if marks & STANDBY:
        return IS_STANDBY
    if marks & OUT:
        return IS_OUT
    if marks & FLAP:
        return FLAPPED
    if marks & DOWN:
        return IS_DOWN
    if coverage < SHOWN_FROM:
        return NO_DATA
    if not enough:
        return PARTIAL
    if bits & NO_SPEED:
        return SPEED_UNKNOWN
    return NEW_SPEED if marks & SPEED_CHANGED else ELIGIBLE


@compiled
def describe(
    sums: npt.NDArray[np.float64], bits: int, shown: bool, place: int, window: int, direction: int, out: Figures
) -> None:
    """Packets, multicasts, broadcasts and errors a second, and the share of frames that were discarded."""
    seconds = sums[COVERED] / 1000.0
    frames_known = shown and not bits & NO_FRAMES
    out.packets[place, window, direction] = sums[FRAMES] / seconds if frames_known else np.nan
    out.mcast[place, window, direction] = sums[MCAST] / seconds if shown and not bits & NO_MCAST else np.nan
    out.bcast[place, window, direction] = sums[BCAST] / seconds if shown and not bits & NO_BCAST else np.nan
    out.errors[place, window, direction] = sums[ERRORS] / seconds if shown and not bits & NO_ERRORS else np.nan
    ratio = np.nan
    if frames_known and not bits & NO_DISCARDS:
        # Nothing sent and nothing dropped is a known ratio of nothing, not a gap.
        ratio = sums[DISCARDS] / (sums[DISCARDS] + sums[FRAMES]) if sums[DISCARDS] > 0 else 0.0
    out.discard_ratio[place, window, direction] = ratio


@compiled
def share(place: int, window: int, out: Figures, wanted: bool) -> None:
    """Half duplex: both directions take turns on one medium, so both show the sum, on the poorer basis."""
    both = out.utilisation[place, window, 0] + out.utilisation[place, window, 1]
    poorer = min(out.basis[place, window, 0], out.basis[place, window, 1])
    reason = max(out.why_not[place, window, 0], out.why_not[place, window, 1])
    for direction in range(2):
        out.utilisation[place, window, direction] = both
        out.basis[place, window, direction] = poorer
        if out.why_not[place, window, direction] == ELIGIBLE:
            out.why_not[place, window, direction] = reason
    if wanted:
        low = out.lower[place, window, 0] + out.lower[place, window, 1]
        high = out.upper[place, window, 0] + out.upper[place, window, 1]
        for direction in range(2):
            out.lower[place, window, direction] = low
            out.upper[place, window, direction] = high


def frame_extras(counts: Bytes) -> Ints:
    """Octets that a frame takes on the wire besides those counted, for each way of counting (RFC 3635, IEEE 802.3)."""
    extras = np.array([WIRE_EXTRA_FRAME, WIRE_EXTRA_NO_FCS, WIRE_EXTRA_PAYLOAD], dtype=np.int64)
    return extras[counts]
