# ruff: noqa: PLR0917  # compiled loops take their arrays and numbers in order
"""The loops that lay intervals into windows.

An interval's octets are taken as spread evenly over its time. All is compiled, and what a loop
calls takes plain numbers: handing arrays on, row by row, counts references and costs twenty
times the work itself (measured).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.numerics.compiled import compiled, inlined
from service.terms import (
    Basis,
    Bytes,
    Codes,
    Counters,
    Counts,
    Flag,
    Floats,
    Ints,
    Mark,
    Marks,
    Singles,
    Status,
    Truths,
    WhyNot,
)

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
NO_SPEED, NO_FRAMES, SOME_INFERRED = LACKS, LACKS << 1, LACKS << 2
DIRECTION_BITS = 4

# Sums of a window and direction; those that a run has no use for are not kept: the first 7, 10 or 15.
(
    COVERED,  # ms
    CAPACITY,  # bit/s x ms
    CAPACITY_LESS,  # how much less it was at least, and more at most, where speeds changed
    CAPACITY_MORE,
    OCTETS,
    LESS,  # how many octets less there were at least, and more at most, where intervals cross an edge
    MORE,
    ON_WIRE,  # octets and what each frame adds
    LESS_ON_WIRE,
    MORE_ON_WIRE,
    FRAMES,
    MCAST,
    BCAST,
    DISCARDS,
    ERRORS,
) = range(15)
SUMS_OF_OCTETS, SUMS_ON_WIRE, SUMS_OF_ALL = 7, 10, 15

SHOWN_FROM = 0.5  # below half a window of coverage nothing is said
# Octets a bit/s and ms that line rate carries, with half the slack that the check itself allows for clocks.
SURELY = 1.01 / 8000
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
    first: Ints  # the windows that hold the interval's start and its end, whether the span has them or not
    last: Ints


class Octets(NamedTuple):
    """Samples of octets, sorted by port, as the loop takes them; no ticks, packets or shifted clocks go with them."""

    port: Codes
    at_ms: Ints
    facts: Codes
    known: Marks
    counters: Counters
    out: int  # the columns of the counters that count octets out and in
    into: int


class Ports(NamedTuple):
    """Facts as the loop takes them: speed, octets that a frame adds on the wire, and what is seen of state and role.

    `is_steady` says for which of them `lay_steady` is meant: a known speed, 64-bit counters, no shared medium.
    """

    speed_bps: Ints
    frame_extra: Ints
    seen: Ints
    is_steady: Truths
    any_shared: bool


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


Sums = npt.NDArray[np.float64]


@compiled
def find_windows(start_ms: Ints, end_ms: Ints, grid: Grid, first: Ints, last: Ints) -> None:
    """The first and the last window that each interval touches; an interval of no length lies before an edge."""
    for row in range(len(start_ms)):
        first[row] = (start_ms[row] - grid.first_ms) // grid.width_ms
        last[row] = first[row]
        past_ms = end_ms[row] - (grid.first_ms + first[row] * grid.width_ms)
        if past_ms > grid.width_ms or past_ms <= 0:
            last[row] = (end_ms[row] - 1 - grid.first_ms) // grid.width_ms


@compiled
def lay_states(rows: Rows, ports: Ports, grid: Grid, first_port: int, seen: Ints, speed_bps: Ints) -> None:
    """Note in every window what was seen of each port: up, down, its role, its speed, a change of state.

    `seen` and `speed_bps` have shape (n_ports, n_windows).
    """
    port, start_ms, end_ms, facts, before = rows.port, rows.start_ms, rows.end_ms, rows.facts, rows.facts_before
    status, changed_ms, shown, speeds = rows.status, rows.changed_ms, ports.seen, ports.speed_bps
    all_first, all_last = rows.first, rows.last
    count = seen.shape[1]
    for row in range(len(port)):
        place = port[row] - first_port
        first, last = all_first[row], all_last[row]
        if len(changed_ms) > 0 and changed_ms[row] >= grid.first_ms:
            # A port that changed its state inside a window flapped in it, even if it is up at both ends.
            window = (changed_ms[row] - grid.first_ms) // grid.width_ms
            if window < count:
                seen[place, window] |= FLAP
        if status[row, 0] == OK or status[row, 1] == OK:
            bits = shown[facts[row]] | shown[before[row]]
            if first != last and 2 * (end_ms[row] - start_ms[row]) > grid.width_ms:
                bits |= STRADDLED
            for window in range(max(first, 0), min(last + 1, count)):
                seen[place, window] |= bits
                speed_bps[place, window] = speeds[facts[row]]
            continue
        # Nothing is known between the two samples, only what each said of the port at its own instant.
        if 0 <= first < count and start_ms[row] < end_ms[row]:
            seen[place, first] |= shown[before[row]]
        if 0 <= last < count:
            seen[place, last] |= shown[facts[row]]
            speed_bps[place, last] = speeds[facts[row]]


@compiled
def lay_octets(rows: Rows, ports: Ports, grid: Grid, first_port: int, sums: Sums, seen: Ints) -> None:
    """Add to each window's sums (n_ports, n_windows, 2, sums) what each interval carried there, and could have.

    Sums of whole octets stay exact in a float: a window at 1.6 Tbit/s holds 6e12 of them, and a
    float counts to 9e15. So a steady 75 % is 0.75.
    """
    port, start_ms, end_ms, facts, before = rows.port, rows.start_ms, rows.end_ms, rows.facts, rows.facts_before
    status, changed_ms, flags = rows.status, rows.changed_ms, rows.flags
    all_octets, all_frames, first, last = rows.octets, rows.frames, rows.first, rows.last
    speeds, extras = ports.speed_bps, ports.frame_extra
    count = seen.shape[1]
    for row in range(len(port)):
        if status[row, 0] != OK and status[row, 1] != OK:
            continue
        place = port[row] - first_port
        start, end = start_ms[row], end_ms[row]
        length_ms = end - start
        speed, earlier, extra = speeds[facts[row]], speeds[before[row]], extras[facts[row]]
        moment_ms = changed_ms[row] if len(changed_ms) > 0 else -1
        for window in range(max(first[row], 0), min(last[row] + 1, count)):
            window_ms = grid.first_ms + window * grid.width_ms
            from_ms = max(start, window_ms)
            overlap_ms = min(end, window_ms + grid.width_ms) - from_ms
            usual, slower, faster = float(speed) * overlap_ms, 0.0, 0.0
            if speed != earlier and earlier > 0:
                seen[place, window] |= SPEED_CHANGED
                if start < moment_ms < end:
                    # The moment is known: each speed counts for its own time.
                    usual += float(earlier - speed) * min(max(moment_ms - from_ms, 0), overlap_ms)
                else:
                    slower = float(speed - min(speed, earlier)) * overlap_ms
                    faster = float(max(speed, earlier) - speed) * overlap_ms
            part = overlap_ms / length_ms
            inside, outside = usual / 8000.0, float(speed) * (length_ms - overlap_ms) / 8000.0
            for direction in range(2):
                if status[row, direction] != OK:
                    continue
                shift = direction * DIRECTION_BITS
                if speed <= 0:
                    seen[place, window] |= NO_SPEED << shift
                octets = float(all_octets[row, direction])
                sums[place, window, direction, COVERED] += overlap_ms
                sums[place, window, direction, CAPACITY] += usual
                sums[place, window, direction, OCTETS] += octets * part
                if slower + faster > 0:
                    sums[place, window, direction, CAPACITY_LESS] += slower
                    sums[place, window, direction, CAPACITY_MORE] += faster
                if part < 1:
                    sums[place, window, direction, LESS] += less(octets, part, outside)
                    sums[place, window, direction, MORE] += more(octets, part, inside)
                frames = all_frames[row, direction] if len(all_frames) > 0 else -1
                if frames < 0:
                    seen[place, window] |= NO_FRAMES << shift
                    continue
                if flags[row, direction] & MERGED:
                    seen[place, window] |= SOME_INFERRED << shift
                wire = octets + frames * extra
                sums[place, window, direction, ON_WIRE] += wire * part
                if part < 1:
                    sums[place, window, direction, LESS_ON_WIRE] += less(wire, part, outside)
                    sums[place, window, direction, MORE_ON_WIRE] += more(wire, part, inside)


@compiled
def less(octets: float, part: float, fits_outside: float) -> float:
    """How many octets fewer than its part an interval may have had inside: all that line rate lets in outside."""
    return octets * part - min(max(0.0, octets - fits_outside), octets * part)


@compiled
def more(octets: float, part: float, fits_inside: float) -> float:
    """How many octets more than its part an interval may have had inside: all of them, or what line rate lets in."""
    return max(min(octets, fits_inside), octets * part) - octets * part


@compiled
def lay_steady(
    now: Octets,
    then: Octets,
    cuts: Ints,
    ports: Ports,
    grid: Grid,
    longest_ms: int,
    first_port: int,
    out: Figures,
    left: Truths,
) -> None:
    """From samples to windows in one pass, for ports whose facts stay the same and whose octets surely fit the wire.

    What it writes is what the general loops write, summed in the same order; the case is common
    and this is three times as fast. A port that it is not meant for is noted in `left`, shape
    (n_ports,), and must go through the general loops. `then` are the samples carried from
    before; `cuts` (n_ports + 1,) says where the rows of each port begin.
    """
    at_ms, facts, known, counters, egress, ingress = now.at_ms, now.facts, now.known, now.counters, now.out, now.into
    carried, count, sums = 0, out.marks.shape[1], np.zeros((2, SUMS_OF_OCTETS))
    for place in range(len(left)):
        start, end = cuts[place], cuts[place + 1]
        mine, at_before, told_before = -1, np.int64(0), 0
        out_before = in_before = np.uint64(0)
        if start < end:
            mine, at_before = facts[start], at_ms[start]
        while carried < len(then.port) and then.port[carried] < first_port + place:
            carried += 1
        if carried < len(then.port) and then.port[carried] == first_port + place and then.at_ms[carried] < at_before:
            mine, at_before, told_before = then.facts[carried], then.at_ms[carried], then.known[carried]
            out_before, in_before = then.counters[carried, then.out], then.counters[carried, then.into]
        speed, shown, is_steady = ports.speed_bps[mine], marks_of(ports.seen[mine]), ports.is_steady[mine]
        left[place] = False
        # The window that is open; those before it are written.
        window, from_ms, to_ms, seen = 0, grid.first_ms, grid.first_ms + grid.width_ms, 0
        for row in range(start, end):
            at, tells, out_now, in_now = at_ms[row], known[row], counters[row, egress], counters[row, ingress]
            length_ms = at - at_before
            sent = received = np.int64(-1)
            # A counter that fell was reset, and an interval that is too long is coarse: neither gives octets.
            if 0 < length_ms <= longest_ms:
                if tells & told_before & 1 and out_now >= out_before:
                    sent = np.int64(out_now - out_before)
                if tells & told_before & 2 and in_now >= in_before:
                    received = np.int64(in_now - in_before)
            if facts[row] != mine or not is_steady or max(sent, received) > SURELY * speed * length_ms:
                left[place] = True
                break
            while window < count:
                inside_ms = min(at, to_ms) - max(at_before, from_ms)
                if sent < 0 and received < 0:
                    # Nothing is known between the two samples, only what each said of the port at its own instant.
                    if from_ms <= at_before < min(at, to_ms) or from_ms < at <= to_ms:
                        seen |= shown
                elif inside_ms > 0:
                    seen |= shown
                    if inside_ms < length_ms and 2 * length_ms > grid.width_ms:
                        seen |= STRADDLED
                    add(sums, 0, sent, speed, inside_ms, length_ms)
                    add(sums, 1, received, speed, inside_ms, length_ms)
                if at <= to_ms:
                    break
                close(sums, seen, grid, place, window, out)
                window, from_ms, to_ms, seen = window + 1, to_ms, to_ms + grid.width_ms, 0
            at_before, told_before, out_before, in_before = at, tells, out_now, in_now
        while window < count:
            close(sums, seen, grid, place, window, out)
            window, seen = window + 1, 0
        sums[:] = 0.0


@inlined
def add(sums: Sums, direction: int, octets: Any, speed_bps: int, inside_ms: int, length_ms: int) -> None:
    """Add to the sums of one window, shape (2, sums), its part of an interval's octets; -1 for none."""
    if octets < 0:
        return
    all_octets, part, usual = float(octets), inside_ms / length_ms, float(speed_bps) * inside_ms
    sums[direction, COVERED] += inside_ms
    sums[direction, CAPACITY] += usual
    sums[direction, OCTETS] += all_octets * part
    if part < 1:
        sums[direction, LESS] += less(all_octets, part, float(speed_bps) * (length_ms - inside_ms) / 8000.0)
        sums[direction, MORE] += more(all_octets, part, usual / 8000.0)


@inlined
def close(sums: Sums, seen: int, grid: Grid, place: int, window: int, out: Figures) -> None:
    """Turn the sums of one window of octets alone, shape (2, sums), into its figures, and make them zero."""
    utilisation, coverage, basis, marks, why_not = out.utilisation, out.coverage, out.basis, out.marks, out.why_not
    shown_ms, enough_ms = SHOWN_FROM * grid.width_ms, grid.coverage_min * grid.width_ms - 1e-6
    mark = seen & MARKS
    for direction in range(2):
        covered_ms, capacity, octets = sums[direction, COVERED], sums[direction, CAPACITY], sums[direction, OCTETS]
        on, value = NO_BASIS, np.nan
        if covered_ms >= shown_ms:
            on, value = COUNTED, 8000.0 * octets / capacity
            if seen & STRADDLED:
                low = 8000.0 * (octets - sums[direction, LESS]) / capacity
                high = 8000.0 * (octets + sums[direction, MORE]) / capacity
                if is_uncertain(low, high, grid.hot_above):
                    mark |= UNCERTAIN_EGRESS << direction
        utilisation[place, window, direction] = value
        coverage[place, window, direction] = covered_ms * (1.0 / grid.width_ms)
        basis[place, window, direction] = on
        why_not[place, window, direction] = reason_of(mark, covered_ms >= shown_ms, covered_ms >= enough_ms, 0)
    marks[place, window] = mark
    sums[:] = 0.0


@compiled
def marks_of(bits: int) -> int:
    """The marks of a window from all that was seen in it; a port seen both up and down flapped."""
    if not bits & SEEN_DOWN:
        return bits & MARKS
    if bits & SEEN_UP:
        return bits & MARKS | FLAP
    return bits & MARKS | DOWN


@compiled
def is_uncertain(low: float, high: float, hot_above: float) -> bool:
    """Whether the bounds of a utilisation lie well on both sides of the hot line."""
    return low < hot_above - CERTAIN_BY and high > hot_above + CERTAIN_BY


@compiled
def finish(sums: Sums, seen: Ints, grid: Grid, first: int, out: Figures) -> None:
    """Turn each window's sums into its utilisation, bounds, basis and marks, both directions.

    `first` is the row of `out` where the ports of `sums` begin.
    """
    utilisation, coverage, basis, marks = out.utilisation, out.coverage, out.basis, out.marks
    why_not, lower, upper = out.why_not, out.lower, out.upper
    bounded = len(lower) > 0
    shown_ms, enough_ms = SHOWN_FROM * grid.width_ms, grid.coverage_min * grid.width_ms - 1e-6
    for place in range(len(seen)):
        for window in range(seen.shape[1]):
            bits = seen[place, window]
            mark = marks_of(bits)
            for direction in range(2):
                mine = bits >> (direction * DIRECTION_BITS)
                covered_ms = sums[place, window, direction, COVERED]
                on = NO_BASIS
                value = low = high = np.nan
                if covered_ms >= shown_ms and not mine & NO_SPEED:
                    on = basis_of(mine)
                    at = OCTETS if on == COUNTED else ON_WIRE
                    octets, capacity = sums[place, window, direction, at], sums[place, window, direction, CAPACITY]
                    value = low = high = 8000.0 * octets / capacity
                    if bounded or bits & STRADDLED:
                        # How far off the octets may be stands behind each of the two sums.
                        low = 8000.0 * (octets - sums[place, window, direction, at + 1])
                        low /= capacity + sums[place, window, direction, CAPACITY_MORE]
                        high = 8000.0 * (octets + sums[place, window, direction, at + 2])
                        high /= capacity - sums[place, window, direction, CAPACITY_LESS]
                    if on == INFERRED:
                        mark |= MERGED_PACKETS
                    if bits & STRADDLED and is_uncertain(low, high, grid.hot_above):
                        mark |= UNCERTAIN_EGRESS << direction
                utilisation[first + place, window, direction] = value
                coverage[first + place, window, direction] = covered_ms * (1.0 / grid.width_ms)
                basis[first + place, window, direction] = on
                if bounded:
                    lower[first + place, window, direction] = low
                    upper[first + place, window, direction] = high
            marks[first + place, window] = mark
            for direction in range(2):
                covered_ms = sums[place, window, direction, COVERED]
                mine = bits >> (direction * DIRECTION_BITS)
                reason = reason_of(mark, covered_ms >= shown_ms, covered_ms >= enough_ms, mine)
                why_not[first + place, window, direction] = reason


@compiled
def basis_of(bits: int) -> int:
    """One interval without frames makes the whole window counted: a value is never half on one basis."""
    if bits & NO_FRAMES:
        return COUNTED
    return INFERRED if bits & SOME_INFERRED else WIRE


@compiled
def reason_of(marks: int, shown: bool, enough: bool, bits: int) -> int:
    """Why a member is no sibling here: what it is before what is known of it."""
    if marks & STANDBY:
        return IS_STANDBY
    if marks & OUT:
        return IS_OUT
    if marks & FLAP:
        return FLAPPED
    if marks & DOWN:
        return IS_DOWN
    if not shown:
        return NO_DATA
    if not enough:
        return PARTIAL
    if bits & NO_SPEED:
        return SPEED_UNKNOWN
    return NEW_SPEED if marks & SPEED_CHANGED else ELIGIBLE


def frame_extras(counts: Bytes) -> Ints:
    """Octets that a frame takes on the wire besides those counted, for each way of counting (RFC 3635, IEEE 802.3)."""
    extras = np.array([WIRE_EXTRA_FRAME, WIRE_EXTRA_NO_FCS, WIRE_EXTRA_PAYLOAD], dtype=np.int64)
    return extras[counts]
