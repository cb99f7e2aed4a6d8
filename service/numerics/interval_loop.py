# ruff: noqa: PLR0917  # compiled loops take their arrays and numbers in order
"""The loops that turn consecutive samples of a port into intervals.

They read like the rules they follow: the checks come in a fixed order and the first that hits
wins. All is compiled, and what a loop calls takes plain numbers: handing arrays on, row by row,
counts references and costs twenty times the work itself (measured).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from service.numerics.compiled import compiled
from service.terms import Bytes, Codes, Counters, Counts, Flag, Floats, Form, Ints, Marks, Status

NONE, OK, COARSE, RESTART = int(Status.NONE), int(Status.OK), int(Status.COARSE), int(Status.RESTART)
RESET, DISCONTINUITY = int(Status.RESET), int(Status.DISCONTINUITY)
IMPLAUSIBLE, AMBIGUOUS = int(Status.IMPLAUSIBLE), int(Status.AMBIGUOUS)
IDENTITY_CHANGED, ABSENT = int(Status.IDENTITY_CHANGED), int(Status.ABSENT)
WRAP, WRAP_ASSUMED, ROLLOVER = int(Flag.WRAP), int(Flag.WRAP_ASSUMED), int(Flag.UPTIME_ROLLOVER)
CLOCK_STEP, MERGED, NARROW = int(Flag.CLOCK_STEP), int(Flag.MERGED_PACKETS), int(Flag.NARROW_COUNTER)
SPEED_CHANGED = int(Flag.SPEED_CHANGED)
RATE, NO_FCS, PAYLOAD = int(Form.RATE), int(Counts.NO_FCS), int(Counts.PAYLOAD)

TICK_MS = 10  # TimeTicks of RFC 2578 are hundredths of a second
TICKS_ROUND = 1 << 32  # and start anew after 2^32 of them: 497 d 2 h 27 m 52.96 s
ROUND_32 = 1 << 32
HALF_32 = 1 << 31
# No wire carries 2^62 octets between two samples: 1.6 Tbit/s would need nine months.
MOST_DIFFERENCE = np.uint64(1 << 62)
MOST_OCTETS = float(1 << 62)
SLACK = 0.02  # of line rate: clocks of both ends, and counters read a moment after the time
ETHERNET_MTU = 1500
LARGEST_FRAME = 9216 + 22  # of jumbo frames in the trade, with header, tag and check sequence; no standard sets it
FRAME_EXTRA = 22  # header 14, check sequence 4, one tag 4


class Readings(NamedTuple):
    """Columns of samples as the loop takes them; columns that no sample tells have length 0."""

    port: Codes
    at_ms: Ints
    facts: Codes
    known: Marks
    counters: Counters
    received_ms: Ints
    uptime: Ints
    discontinuity: Ints
    shift_ms: Ints


class Told(NamedTuple):
    """Columns of a table of facts as the loop takes them."""

    speed_bps: Ints
    counter_bits: Bytes
    counts: Bytes
    form: Bytes
    mac: Ints
    mtu: Codes
    last_change: Ints


class Ends(NamedTuple):
    """What became of each sample: shape (n,) or (n, 2); `changed_ms` has length 0 where no source tells."""

    earlier: Ints
    start_ms: Ints
    end_ms: Ints
    facts_before: Codes
    octets: Ints
    status: Bytes
    flags: Marks
    most: Floats
    changed_ms: Ints


@compiled
def find_earlier(port: Codes, at_ms: Ints, carried_port: Codes, carried_at_ms: Ints, earlier: Ints) -> None:
    """For each sample where the one before it of the same port stands.

    Its row; or, where it was carried from before, -2 - its row there; or -1 where there is none.
    Both are sorted by port.
    """
    carried = 0
    for c in range(len(port)):
        earlier[c] = -1
        if c > 0 and port[c - 1] == port[c]:
            earlier[c] = c - 1
            continue
        while carried < len(carried_port) and carried_port[carried] < port[c]:
            carried += 1
        if carried < len(carried_port) and carried_port[carried] == port[c] and carried_at_ms[carried] < at_ms[c]:
            earlier[c] = -2 - carried


@compiled
def whole_intervals(now: Readings, then: Readings, told: Told, longest_ms: int, ends: Ends) -> None:
    """What holds for both directions of each interval: where it lies, and whether it can be used at all.

    Written: start, end, facts before, the status and flags of both directions, the most octets
    that line rate allows, and when the port last changed.
    """
    at_ms, facts, uptime, received_ms, shift_ms = now.at_ms, now.facts, now.uptime, now.received_ms, now.shift_ms
    discontinuity = now.discontinuity
    carried_at_ms, carried_facts, carried_uptime = then.at_ms, then.facts, then.uptime
    carried_discontinuity = then.discontinuity
    mac, bits, speed_bps, last_change = told.mac, told.counter_bits, told.speed_bps, told.last_change
    start, ending, facts_before, changed_ms = ends.start_ms, ends.end_ms, ends.facts_before, ends.changed_ms
    statuses, all_flags, most, earlier = ends.status, ends.flags, ends.most, ends.earlier
    for c in range(len(at_ms)):
        p, mine, at = earlier[c], facts[c], at_ms[c]
        end_ms = at + (shift_ms[c] if len(shift_ms) > 0 else 0)
        up = uptime[c] if len(uptime) > 0 else -1
        broke = discontinuity[c] if len(discontinuity) > 0 else -1
        up_before = broke_before = -1
        if p == -1:
            at_before, before = at, mine
        elif p >= 0:
            at_before, before = at_ms[p], facts[p]
            up_before = uptime[p] if len(uptime) > 0 else -1
            broke_before = discontinuity[p] if len(discontinuity) > 0 else -1
        else:
            at_before, before = carried_at_ms[-2 - p], carried_facts[-2 - p]
            up_before = carried_uptime[-2 - p] if len(carried_uptime) > 0 else -1
            broke_before = carried_discontinuity[-2 - p] if len(carried_discontinuity) > 0 else -1
        status, flags, took_ms = elapsed(up_before, up, at - at_before, longest_ms)
        if p == -1:
            status = NONE
        elif is_another(mac[before], mac[mine]):
            status = IDENTITY_CHANGED
        elif status == OK and (is_another(broke_before + 1, broke + 1) or bits[before] != bits[mine]):
            status = DISCONTINUITY  # counters of two widths are two counters
        elif status == OK and took_ms <= 0:
            status = NONE
        if flags & CLOCK_STEP and len(received_ms) > 0 and received_ms[c] >= 0:
            end_ms = received_ms[c]
        speed, speed_before = speed_bps[mine], speed_bps[before]
        if speed_before != speed:
            flags |= SPEED_CHANGED
        # Placed backwards from its end: a rate is octets over the seconds that truly passed, wherever the clock was.
        start[c] = end_ms - took_ms
        ending[c] = end_ms
        facts_before[c] = before
        if len(changed_ms) > 0:
            changed_ms[c] = moment_of_change(end_ms, up, last_change[mine])
        fine_ms = resolution(at, at_before, up_before >= 0 and up >= 0)
        most[c] = most_octets(max(speed_before, speed), took_ms, fine_ms)
        for direction in range(2):
            statuses[c, direction] = status
            all_flags[c, direction] = flags


@compiled
def octets_between(now: Readings, then: Readings, told: Told, place: Ints, longest_ms: int, ends: Ends) -> int:
    """The octets of each interval and direction, or why there are none; returns how many are ambiguous.

    `place` (12,) says in which column of the counters each of COUNTERS stands, -1 for none.
    """
    facts, known, counters, uptime = now.facts, now.known, now.counters, now.uptime
    carried_known, carried_counters, carried_uptime = then.known, then.counters, then.uptime
    form, bits, speed_bps = told.form, told.counter_bits, told.speed_bps
    earlier, before, all_most = ends.earlier, ends.facts_before, ends.most
    statuses, all_flags, all_octets = ends.status, ends.flags, ends.octets
    start_ms, end_ms = ends.start_ms, ends.end_ms
    ambiguous = 0
    for c in range(len(facts)):
        p = earlier[c]
        # Read once a row: what is written below might alias these, for all the compiler knows.
        took_ms, most, mine, former = end_ms[c] - start_ms[c], all_most[c], facts[c], before[c]
        tells, told_before = known[c], 0
        if p != -1:
            told_before = known[p] if p >= 0 else carried_known[-2 - p]
        is_rate, was_rate, is_narrow = form[mine] == RATE, form[former] == RATE, bits[mine] == 32
        fastest = max(speed_bps[mine], speed_bps[former])
        for direction in range(2):
            all_octets[c, direction] = -1
            if not (tells >> direction) & 1:
                statuses[c, direction] = ABSENT
                all_flags[c, direction] = 0
                continue
            if statuses[c, direction] != OK:
                continue
            column = place[direction]
            counter = counters[c, column]
            reading = counters[p, column] if p >= 0 else carried_counters[-2 - p, column]
            if is_rate:
                status, flags, octets = octets_of_rate(counter, took_ms, most)
            elif was_rate or not (told_before >> direction) & 1:
                status, flags, octets = NONE, 0, -1
            elif is_narrow:
                up_before = -1
                if len(uptime) > 0:
                    up_before = uptime[p] if p >= 0 else carried_uptime[-2 - p] if len(carried_uptime) > 0 else -1
                trusted = up_before >= 0 and uptime[c] >= 0
                fell = -1
                for packets in range(2, 4):
                    at = place[packets]
                    if at >= 0 and tells & told_before & (1 << packets):
                        lower = counters[c, at] < (counters[p, at] if p >= 0 else carried_counters[-2 - p, at])
                        fell = max(fell, 1 if lower else 0)
                status, flags, octets = octets_of_32(reading, counter, most, trusted, fell)
            else:
                status, flags, octets = octets_of_64(reading, counter, most, fastest, took_ms)
            if status == OK and took_ms > longest_ms:
                status = COARSE
            statuses[c, direction] = status
            all_flags[c, direction] |= flags
            all_octets[c, direction] = octets
            ambiguous += 1 if status == AMBIGUOUS else 0
    return ambiguous


@compiled
def counts_between(
    now: Readings, then: Readings, told: Told, place: Ints, measure: int, ends: Ends, counts: Ints
) -> None:
    """How far the counters of another measure than octets went, -1 where octets or they are not known."""
    facts, known, counters = now.facts, now.known, now.counters
    carried_known, carried_counters = then.known, then.counters
    bits, earlier, octets = told.counter_bits, ends.earlier, ends.octets
    for c in range(len(facts)):
        p = earlier[c]
        for direction in range(2):
            counts[c, direction] = -1
            counter = 2 * measure + direction
            column = place[counter]
            if p == -1 or column < 0 or octets[c, direction] < 0 or not known[c] >> counter & 1:
                continue
            if p >= 0 and known[p] >> counter & 1:
                counts[c, direction] = difference(counters[p, column], counters[c, column], bits[facts[c]])
            elif p < 0 and carried_known[-2 - p] >> counter & 1:
                reading = carried_counters[-2 - p, column]
                counts[c, direction] = difference(reading, counters[c, column], bits[facts[c]])


@compiled
def packets_to_frames(facts: Codes, counts: Bytes, mtu: Codes, octets: Ints, frames: Ints, flags: Marks) -> None:
    """Turn packets, in place, into frames as they were on the wire, and flag where packets were merged."""
    for c in range(len(facts)):
        for direction in range(2):
            packets = frames[c, direction]
            found, merged = frames_of(octets[c, direction], packets, counts[facts[c]], mtu[facts[c]])
            frames[c, direction] = found
            if merged:
                flags[c, direction] |= MERGED


@compiled
def elapsed(up_before: int, up: int, wall_ms: int, longest_ms: int) -> tuple[int, int, int]:
    """What uptime says of the time between two samples: status, flags and milliseconds.

    Uptime measures the agent: where it fell without having come round, the counters may have
    started anew, even where they grew (a counter that started from zero can overtake its old
    value). Within one tick the clock's milliseconds are kept: they are finer than the ticks, and
    neighbouring intervals meet exactly. Beyond that ticks decide, because a clock may have been
    set while the agent's ticks went on.
    """
    if up_before < 0 or up < 0:
        return OK, 0, wall_ms
    slack_ms = max(2000, wall_ms // 20)
    flags = 0
    took_ms = (up - up_before) * TICK_MS
    if up < up_before:
        took_ms += TICKS_ROUND * TICK_MS
        if abs(took_ms - wall_ms) > slack_ms:
            return RESTART, 0, wall_ms
        flags = ROLLOVER
    elif abs(took_ms - wall_ms) > slack_ms:
        flags = CLOCK_STEP
        if took_ms > longest_ms:
            return RESTART, flags, wall_ms  # a restart inside the hole cannot be ruled out
    if abs(took_ms - wall_ms) <= TICK_MS:
        took_ms = wall_ms
    return OK, flags, took_ms


@compiled
def octets_of_64(before: Any, now: Any, most: float, speed_bps: int, took_ms: int) -> tuple[int, int, Any]:
    """Status, flags and octets of a 64-bit counter.

    2^64 octets last 46.8 years at 100 Gbit/s, so a lower reading is never a wrap. One that
    fell from just below 2^32 looks like a 32-bit counter; it is told, not guessed.
    """
    if now < before:
        near = ROUND_32 - speed_bps * (took_ms / 8000.0)
        narrow = speed_bps > 0 and before < np.uint64(ROUND_32) and np.int64(before) > near
        return RESET, NARROW if narrow else 0, -1
    difference = now - before
    if difference > MOST_DIFFERENCE:
        return IMPLAUSIBLE, 0, -1
    octets = np.int64(difference)
    if 0 <= most < octets:
        return IMPLAUSIBLE, 0, -1
    return OK, 0, octets


@compiled
def octets_of_32(before: Any, now: Any, most: float, trusted: bool, fell: int) -> tuple[int, int, Any]:
    """Status, flags and octets of a 32-bit counter: taken only if exactly one number of wraps fits the wire.

    `trusted` says that uptime ruled a restart out; else `fell` says whether packet counters
    fell too (1), stayed (0) or are not told (-1).
    """
    low, high = np.int64(before) % ROUND_32, np.int64(now) % ROUND_32
    octets = (high - low) % ROUND_32
    wrapped = high < low
    if wrapped and not trusted and fell == 1:
        return RESET, 0, -1
    if most < 0 or octets + ROUND_32 <= most:
        return AMBIGUOUS, 0, -1
    if octets > most:
        return IMPLAUSIBLE, 0, -1
    if not wrapped:
        return OK, 0, octets
    # Nothing else fell: a wrap. Nothing else is counted: the counter was near its end, or it would not be plausible.
    return OK, WRAP if trusted or fell == 0 else WRAP | WRAP_ASSUMED, octets


@compiled
def octets_of_rate(rate_bps: Any, took_ms: int, most: float) -> tuple[int, int, Any]:
    """Status, flags and octets of a mean rate over the interval that ends at its sample."""
    if rate_bps > MOST_DIFFERENCE or rate_bps * (took_ms / 8000.0) > MOST_OCTETS:
        return IMPLAUSIBLE, 0, -1
    rate = np.int64(rate_bps)
    # In two steps, because a day at 1.6 Tbit/s overflows 64 bits in one.
    octets = rate // 8000 * took_ms + rate % 8000 * took_ms // 8000
    if 0 <= most < octets:
        return IMPLAUSIBLE, 0, -1
    return OK, 0, octets


@compiled
def most_octets(speed_bps: int, took_ms: int, resolution_ms: int) -> float:
    """The octets that line rate allows, with slack for the clock; -1 where the speed is unknown."""
    if speed_bps <= 0 or took_ms <= 0:
        return -1.0
    return speed_bps * (took_ms / 8000.0) * (1.0 + SLACK + resolution_ms / took_ms)


@compiled
def resolution(at_ms: int, at_before_ms: int, by_uptime: bool) -> int:
    """How finely the time between two samples is known: stamps that both lie on whole seconds have no finer digits."""
    if by_uptime:
        return TICK_MS
    return 1000 if at_ms % 1000 == 0 and at_before_ms % 1000 == 0 else 1


@compiled
def frames_of(octets: int, packets: int, counts: int, mtu: int) -> tuple[int, bool]:
    """Frames on the wire, and whether they had to be inferred because the packet counter counts merged packets.

    A mean above what the MTU allows is no frame. Where the MTU is unknown it is taken for
    1,500 only if the mean is above what any frame reaches.
    """
    if packets <= 0:
        return (packets if octets == 0 or packets < 0 else -1), False
    longest = mtu + FRAME_EXTRA if mtu > 0 else LARGEST_FRAME
    if octets <= longest * packets:
        return packets, False
    counted = 18
    if counts == NO_FCS:
        counted = 14
    elif counts == PAYLOAD:
        counted = 0
    frame = (mtu if mtu > 0 else ETHERNET_MTU) + counted
    return (octets + frame - 1) // frame, True


@compiled
def moment_of_change(end_ms: int, up: int, last_change: int) -> int:
    """When the port last changed its state, -1 where ticks do not tell; 0 ticks means before the agent started."""
    if up < 0 or last_change <= 0:
        return -1
    return end_ms - (up - last_change) % TICKS_ROUND * TICK_MS


@compiled
def difference(before: Any, after: Any, counter_bits: int) -> Any:
    """How far a counter other than octets went, -1 where that is not known.

    A fall is a wrap only for 32-bit counters that were past their half.
    """
    if after >= before:
        return np.int64(after - before) if after - before <= MOST_DIFFERENCE else -1
    if counter_bits == 32 and before >= np.uint64(HALF_32) and before < np.uint64(ROUND_32):
        return (np.int64(after) - np.int64(before)) % ROUND_32
    return -1


@compiled
def is_another(before: int, now: int) -> bool:
    """Whether both are told, that is not 0, and differ."""
    return before not in (0, now) and now != 0
