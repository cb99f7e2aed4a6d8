"""The loop that turns consecutive samples of a port into intervals.

It reads like the rules it follows: the checks come in a fixed order and the first that hits
wins. It is compiled; everything it calls stands in this file.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.numerics.compiled import compiled
from service.terms import Bytes, Codes, Counters, Counts, Flag, Form, Ints, Marks, Status

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
    """What became of each sample: shape (n,) or (n, 2); counts that no sample tells have length 0."""

    start_ms: Ints
    end_ms: Ints
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


@compiled
def all_intervals(
    now: Readings, before: Readings, told: Told, place: npt.NDArray[np.int64], longest_ms: int, ends: Ends
) -> None:
    """What became of every sample of `now`, sorted by port and time, given the last ones `before`, sorted by port.

    `place` (12,) says in which column of the counters each of COUNTERS stands, -1 for none.
    """
    carried = 0
    for row in range(len(now.port)):
        port = now.port[row]
        if row > 0 and now.port[row - 1] == port:
            one_interval(now, row, now, row - 1, told, place, longest_ms, ends)
            continue
        while carried < len(before.port) and before.port[carried] < port:
            carried += 1
        if carried < len(before.port) and before.port[carried] == port and before.at_ms[carried] < now.at_ms[row]:
            one_interval(now, row, before, carried, told, place, longest_ms, ends)
        else:
            first_sample(now, row, told, place, ends)


@compiled
def first_sample(now: Readings, c: int, told: Told, place: npt.NDArray[np.int64], ends: Ends) -> None:
    """Nothing ends at the first sample of a port, but its facts count from then on."""
    end_ms = now.at_ms[c]
    if len(now.shift_ms) > 0:
        end_ms += now.shift_ms[c]
    ends.start_ms[c] = end_ms
    ends.end_ms[c] = end_ms
    ends.facts_before[c] = now.facts[c]
    if len(ends.changed_ms) > 0:
        ends.changed_ms[c] = moment_of_change(end_ms, ticks_at(now.uptime, c), told.last_change[now.facts[c]])
    for direction in range(2):
        ends.status[c, direction] = NONE if has(now, c, direction) else ABSENT
        ends.flags[c, direction] = 0
        no_values(ends, c, direction)


@compiled
def one_interval(
    now: Readings,
    c: int,
    then: Readings,
    p: int,
    told: Told,
    place: npt.NDArray[np.int64],
    longest_ms: int,
    ends: Ends,
) -> None:
    """What became of the interval from sample p of `then` to sample c of `now`, in both directions."""
    facts, facts_before = now.facts[c], then.facts[p]
    wall_ms = now.at_ms[c] - then.at_ms[p]
    up_before, up = ticks_at(then.uptime, p), ticks_at(now.uptime, c)
    status, flags, took_ms = elapsed(up_before, up, wall_ms, longest_ms)
    status = earlier_or(status, now, c, then, p, told)
    if status == OK and took_ms <= 0:
        status = NONE
    end_ms = now.at_ms[c]
    if len(now.shift_ms) > 0:
        end_ms += now.shift_ms[c]
    if flags & CLOCK_STEP and len(now.received_ms) > 0 and now.received_ms[c] >= 0:
        end_ms = now.received_ms[c]
    # Placed backwards from its end: a rate then is octets over the seconds that truly passed, wherever the clock was.
    ends.start_ms[c] = end_ms - took_ms
    ends.end_ms[c] = end_ms
    ends.facts_before[c] = facts_before
    if len(ends.changed_ms) > 0:
        ends.changed_ms[c] = moment_of_change(end_ms, up, told.last_change[facts])
    speed_bps = max(told.speed_bps[facts], told.speed_bps[facts_before])
    if told.speed_bps[facts] != told.speed_bps[facts_before]:
        flags |= SPEED_CHANGED
    most = most_octets(speed_bps, took_ms, resolution(now.at_ms[c], then.at_ms[p], up_before >= 0 and up >= 0))
    for direction in range(2):
        if not has(now, c, direction):
            ends.status[c, direction] = ABSENT
            ends.flags[c, direction] = 0
            no_values(ends, c, direction)
            continue
        if status != OK:
            ends.status[c, direction] = status
            ends.flags[c, direction] = flags
            no_values(ends, c, direction)
            continue
        column = place[direction]
        counter = now.counters[c, column]
        if told.form[facts] == RATE:
            found, more, octets = octets_of_rate(counter, took_ms, most)
        elif told.form[facts_before] == RATE or not has(then, p, direction):
            found, more, octets = NONE, 0, -1
        elif told.counter_bits[facts] == 32:
            fell = -1 if up_before >= 0 and up >= 0 else packets_fell(now, c, then, p, place)
            trusted = up_before >= 0 and up >= 0
            found, more, octets = octets_of_32(then.counters[p, column], counter, most, trusted, fell)
        else:
            found, more, octets = octets_of_64(then.counters[p, column], counter, most, speed_bps, took_ms)
        if found == OK and took_ms > longest_ms:
            found = COARSE
        ends.octets[c, direction] = octets
        ends.status[c, direction] = found
        ends.flags[c, direction] = flags | more
        if octets < 0:
            no_values(ends, c, direction)
        else:
            counts_besides_octets(now, c, then, p, told, place, direction, ends)


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
def earlier_or(status: int, now: Readings, c: int, then: Readings, p: int, told: Told) -> int:
    """The status of the whole interval: another port before all else, then what uptime said, then a discontinuity."""
    mac, mac_before = told.mac[now.facts[c]], told.mac[then.facts[p]]
    if mac != 0 and mac_before != 0 and mac != mac_before:
        return IDENTITY_CHANGED
    if status != OK:
        return status
    broke, broke_before = ticks_at(now.discontinuity, c), ticks_at(then.discontinuity, p)
    if broke >= 0 and broke_before >= 0 and broke != broke_before:
        return DISCONTINUITY
    if told.counter_bits[now.facts[c]] != told.counter_bits[then.facts[p]]:
        return DISCONTINUITY  # counters of two widths are two counters
    return OK


@compiled
def octets_of_64(before: Any, now: Any, most: float, speed_bps: int, took_ms: int) -> tuple[int, int, int]:
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
def octets_of_32(before: Any, now: Any, most: float, trusted: bool, fell: int) -> tuple[int, int, int]:
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
def octets_of_rate(rate_bps: Any, took_ms: int, most: float) -> tuple[int, int, int]:
    """Status, flags and octets of a mean rate over the interval that ends at its sample."""
    if rate_bps > MOST_DIFFERENCE:
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
def counts_besides_octets(
    now: Readings, c: int, then: Readings, p: int, told: Told, place: npt.NDArray[np.int64], direction: int, ends: Ends
) -> None:
    """Frames, multicasts, broadcasts, discards and errors of an interval whose octets are known."""
    if len(ends.frames) > 0:
        packets = difference_of(now, c, then, p, told, place, 2 + direction)
        frames, merged = frames_of(
            ends.octets[c, direction], packets, told.counts[now.facts[c]], told.mtu[now.facts[c]]
        )
        ends.frames[c, direction] = frames
        if merged:
            ends.flags[c, direction] |= MERGED
    if len(ends.mcast) > 0:
        ends.mcast[c, direction] = difference_of(now, c, then, p, told, place, 4 + direction)
    if len(ends.bcast) > 0:
        ends.bcast[c, direction] = difference_of(now, c, then, p, told, place, 6 + direction)
    if len(ends.discards) > 0:
        ends.discards[c, direction] = difference_of(now, c, then, p, told, place, 8 + direction)
    if len(ends.errors) > 0:
        ends.errors[c, direction] = difference_of(now, c, then, p, told, place, 10 + direction)


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
def difference_of(
    now: Readings, c: int, then: Readings, p: int, told: Told, place: npt.NDArray[np.int64], counter: int
) -> int:
    """How far a counter other than octets went, -1 where that is not known.

    A fall is a wrap only for 32-bit counters that were past their half.
    """
    column = place[counter]
    if column < 0 or not has(now, c, counter) or not has(then, p, counter):
        return -1
    before, after = then.counters[p, column], now.counters[c, column]
    if after >= before:
        return np.int64(after - before) if after - before <= MOST_DIFFERENCE else -1
    if told.counter_bits[now.facts[c]] == 32 and before >= np.uint64(HALF_32) and before < np.uint64(ROUND_32):
        return (np.int64(after) - np.int64(before)) % ROUND_32
    return -1


@compiled
def packets_fell(now: Readings, c: int, then: Readings, p: int, place: npt.NDArray[np.int64]) -> int:
    """Whether a packet counter of the port fell (1), none did (0), or nobody counts packets (-1)."""
    answer = -1
    for counter in range(2, 4):
        column = place[counter]
        if column >= 0 and has(now, c, counter) and has(then, p, counter):
            answer = max(answer, 1 if now.counters[c, column] < then.counters[p, column] else 0)
    return answer


@compiled
def no_values(ends: Ends, c: int, direction: int) -> None:
    """Nothing is known, which is not zero."""
    ends.octets[c, direction] = -1
    if len(ends.frames) > 0:
        ends.frames[c, direction] = -1
    if len(ends.mcast) > 0:
        ends.mcast[c, direction] = -1
    if len(ends.bcast) > 0:
        ends.bcast[c, direction] = -1
    if len(ends.discards) > 0:
        ends.discards[c, direction] = -1
    if len(ends.errors) > 0:
        ends.errors[c, direction] = -1


@compiled
def has(samples: Readings, row: int, counter: int) -> bool:
    """Whether a sample tells the counter."""
    return (samples.known[row] >> counter) & 1 == 1


@compiled
def ticks_at(ticks: Ints, row: int) -> int:
    """A tick count of a sample, -1 where it does not tell one."""
    return ticks[row] if len(ticks) > 0 else -1


@compiled
def moment_of_change(end_ms: int, up: int, last_change: int) -> int:
    """When the port last changed its state, -1 where ticks do not tell; 0 ticks means before the agent started."""
    if up < 0 or last_change <= 0:
        return -1
    return end_ms - (up - last_change) % TICKS_ROUND * TICK_MS
