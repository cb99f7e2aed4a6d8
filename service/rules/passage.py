"""One pass over teams and windows that takes findings through their life, compiled, reading like its rules.

All compiled functions of the rules are in this file: what is compiled is kept on disk under the
date of the file that asked for it, and would not notice a change in another one.
"""

# ruff: noqa: PLR0913, PLR0917 - compiled functions take their places (team, direction, family, window) one by one
# ruff: noqa: C901, PLR0915 - the pass and the raise read like their rules, from the first step to the last

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np

from service.numerics.compiled import compiled
from service.rules.state import (
    COMES_AND_GOES,
    DEGRADED_BIT,
    EVALUABLE,
    FAMILIES,
    KIND_BITS,
    ON_WIRE,
    PEAKS,
    REMEMBERED,
    SWAPPED,
    SWINGS,
    Memory,
    Positions,
)
from service.rules.table import SLACK, RuleTable
from service.terms import UNKNOWN, Bytes, Family, Floats, Ints, Kind, Singles, Truths

DISTRIBUTION, CAPACITY, BUILD = int(Family.DISTRIBUTION), int(Family.CAPACITY), int(Family.BUILD)
UNEVEN, SKEWED = int(Kind.UNEVEN), int(Kind.SKEWED)
FULL, HOT_NO_SIBLING = int(Kind.FULL), int(Kind.HOT_NO_SIBLING)
OSCILLATING, DEGRADED = int(Kind.OSCILLATING), int(Kind.DEGRADED)
MINOR = 1  # position in SEVERITY_ORDER

SWAPS = 4  # changes of the hot members in SWINGS windows that make a ping-pong ...
STEADY = 0.10  # ... while the team's total varies by no more than this (population standard deviation / mean)

STEPS = ("raised", "recurrent", "kind", "severity", "unverified", "verified", "cleared")
RAISED, RECURRENT, NEW_KIND, NEW_SEVERITY, UNVERIFIED, VERIFIED, CLEARED = range(7)
# A step's whole numbers: slot, team, direction, family, what, kind, level, since, recurrences, and of a
# raise: windows seen, evaluable, flagged, slot of the peak. Its figures: peak, discards, member at the peak.
STEP_COLUMNS = 13

Log: TypeAlias = tuple[Ints, Floats, int]


class Windows(NamedTuple):
    """What the pass reads of team windows, arrays of shape (n_teams, n_windows, 2); `calm` by family on a last axis."""

    evaluable: Truths
    kind: Bytes
    degraded: Truths
    calm: Truths
    hot: Bytes
    on_wire: Truths
    total: Floats
    even_split: Floats
    utilisation: Floats
    busiest: Positions
    discards: Singles
    level: Bytes


@compiled
def _carries(code: int, family: int) -> bool:
    """Whether a remembered window carries a kind of the family."""
    kind = code & KIND_BITS
    if family == BUILD:
        return (code & DEGRADED_BIT) != 0
    if family == CAPACITY:
        return kind in (FULL, HOT_NO_SIBLING)
    return kind >= UNEVEN and kind <= SKEWED


@compiled
def _due(codes: Bytes, slot: int, family: int, kind: int, basis: int, needed: int, of: int, within: int) -> int:
    """The slot of the oldest of the flagged windows that make a raise due, UNKNOWN where none is.

    With a `kind`, only windows of that very kind count as flagged.
    """
    seen = 0
    flagged = 0
    for back in range(within):
        code = codes[(slot - back) % REMEMBERED]
        if (code & EVALUABLE) == 0 or (code & ON_WIRE) != basis:
            continue
        seen += 1
        if _carries(code, family) and (kind == 0 or kind == (code & KIND_BITS)):
            flagged += 1
            if flagged == needed:
                return slot - back
        if seen == of:
            break
    return UNKNOWN


@compiled
def _commonest(codes: Bytes, slot: int, family: int, basis: int, since: int) -> int:
    """The kind that most flagged windows since `since` carried; of two as common, the newer."""
    if family == BUILD:
        return DEGRADED
    best = 0
    most = 0
    for back in range(slot - since + 1):
        candidate = codes[(slot - back) % REMEMBERED] & KIND_BITS
        count = 0
        for other in range(slot - since + 1):
            code = codes[(slot - other) % REMEMBERED]
            if (code & EVALUABLE) and (code & ON_WIRE) == basis and (code & KIND_BITS) == candidate:
                count += 1
        if count > most and _carries(candidate, family):
            best = candidate
            most = count
    return best


@compiled
def _swaps(codes: Bytes, slot: int) -> tuple[int, int]:
    """How often the hot members changed in the last SWINGS windows, and the slot of the first change."""
    count = 0
    first = slot
    for back in range(SWINGS):
        if codes[(slot - back) % REMEMBERED] & SWAPPED:
            count += 1
            first = slot - back
    return count, first


@compiled
def _steady(totals: Singles) -> bool:
    """Whether a team's total hardly varied over the remembered windows."""
    count = 0
    total = 0.0
    for value in totals:
        if not np.isnan(value):
            count += 1
            total += value
    if count == 0 or total <= 0:
        return False
    mean = total / count
    squares = 0.0
    for value in totals:
        if not np.isnan(value):
            squares += (value - mean) ** 2
    return bool(np.sqrt(squares / count) <= STEADY * mean)


@compiled
def _worst(memory: Memory, team: int, way: int, slot: int, since: int) -> tuple[float, int, int, float]:
    """Peak, its slot and member, and worst discards of the evaluable windows from `since` to `slot`."""
    peak, discards = np.nan, np.nan
    peak_slot, peak_at = slot, UNKNOWN
    for back in range(min(PEAKS, slot - since + 1)):
        at = (slot - back) % PEAKS
        # Of equal peaks the oldest is told, hence not just above.
        if memory.peaks[team, way, at] >= peak or (np.isnan(peak) and memory.peaks[team, way, at] >= 0):
            peak = memory.peaks[team, way, at]
            peak_slot, peak_at = slot - back, memory.peak_at[team, way, at]
        if memory.discards[team, way, at] > discards or np.isnan(discards):
            discards = memory.discards[team, way, at]
    return peak, peak_slot, peak_at, discards


@compiled
def _counted(codes: Bytes, slot: int, since: int, family: int, basis: int) -> tuple[int, int]:
    """How many windows from `since` to `slot` were evaluable on this basis, and how many flagged."""
    evaluable = 0
    flagged = 0
    for back in range(slot - since + 1):
        code = codes[(slot - back) % REMEMBERED]
        if (code & EVALUABLE) and (code & ON_WIRE) == basis:
            evaluable += 1
            flagged += int(_carries(code, family))
    return evaluable, flagged


@compiled
def live(
    memory: Memory, rules: RuleTable, windows: Windows, first: int, gap: int, remember: bool
) -> tuple[Ints, Floats]:
    """Take all teams through all windows; with `remember`, findings are taken as they are and only followed."""
    # Columns by name once: tuples of arrays handed on for every team would cost more than all the rest.
    codes, totals, hot, hot_slot = memory.codes, memory.totals, memory.hot, memory.hot_slot
    peaks, peak_at, discards, kind = memory.peaks, memory.peak_at, memory.discards, memory.kind
    n_teams, n_windows = windows.evaluable.shape[0], windows.evaluable.shape[1]
    log = (np.empty((16, STEP_COLUMNS), dtype=np.int64), np.empty((16, 3), dtype=np.float64), 0)
    # After so long a hole nothing is left to forget.
    lead = min(gap, rules.blind + REMEMBERED + 1)
    for t in range(n_teams):
        for d in range(2):
            for k in range(lead + n_windows):
                w = k - gap if k < lead else k - lead
                slot = first + w
                code = 0
                at, at_swing = slot % PEAKS, slot % SWINGS
                totals[t, d, at_swing] = peaks[t, d, at] = discards[t, d, at] = np.nan
                if w >= 0 and windows.evaluable[t, w, d]:
                    swapped = False
                    if windows.hot[t, w, d]:
                        recent = slot - hot_slot[t, d] < SWINGS
                        swapped = recent and _is_swap(hot[t, d], windows.hot[t, w, d])
                        hot[t, d] = windows.hot[t, w, d]
                        hot_slot[t, d] = slot
                    code = _code(windows.kind[t, w, d], windows.degraded[t, w, d], swapped, windows.on_wire[t, w, d])
                    totals[t, d, at_swing] = windows.total[t, w, d]
                    peaks[t, d, at] = windows.utilisation[t, w, d]
                    peak_at[t, d, at] = windows.busiest[t, w, d]
                    discards[t, d, at] = windows.discards[t, w, d]
                codes[t, d, slot % REMEMBERED] = code
                for f in range(FAMILIES):
                    if kind[t, d, f] == 0:
                        if not remember and _carries(code, f):
                            log = _open(memory, rules, windows, t, d, f, w, slot, log)
                    elif not remember or slot > memory.raised[t, d, f]:
                        log = _follow(memory, rules, windows, t, d, f, w, slot, first, remember, log)
                    elif slot == memory.raised[t, d, f]:
                        _raised_here(memory, rules, t, d, f, slot, w >= REMEMBERED)
    return log[0][: log[2]], log[1][: log[2]]


@compiled
def _code(kind: int, degraded: bool, swapped: bool, on_wire: bool) -> int:
    """What is kept of an evaluable window."""
    return EVALUABLE | kind | degraded * DEGRADED_BIT | swapped * SWAPPED | on_wire * ON_WIRE


@compiled
def _is_swap(before: int, now: int) -> bool:
    """Whether one member left the hot ones and another joined them.

    A second member that flickers at the line is no swap, nor are windows in which none is hot.
    """
    return (now & ~before) != 0 and (before & ~now) != 0


@compiled
def _is_due(memory: Memory, rules: RuleTable, t: int, d: int, f: int, slot: int, kind: int) -> int:
    """The slot since which a raise is due at a flagged window (of that very kind, if one is given), or UNKNOWN."""
    codes = memory.codes[t, d]
    code = codes[slot % REMEMBERED]
    if not _carries(code, f):
        return UNKNOWN
    needed, of, within = rules.raise_windows[t], rules.raise_of[t], rules.within[t]
    return _due(codes, slot, f, kind, code & ON_WIRE, needed, of, within)


@compiled
def _ping_pong(memory: Memory, rules: RuleTable, windows: Windows, t: int, d: int, f: int, w: int, slot: int) -> bool:
    """Whether a flagged window is one more stroke of a load that goes to and fro between members."""
    codes = memory.codes[t, d]
    if f != DISTRIBUTION or not _carries(codes[slot % REMEMBERED], f):
        return False
    if windows.even_split[t, w, d] > rules.clear[t] + SLACK:
        return False
    return _swaps(codes, slot)[0] >= SWAPS and _steady(memory.totals[t, d])


@compiled
def _open(
    memory: Memory, rules: RuleTable, windows: Windows, t: int, d: int, f: int, w: int, slot: int, log: Log
) -> Log:
    """Raise, if a raise is due."""
    codes = memory.codes[t, d]
    since = _is_due(memory, rules, t, d, f, slot, 0)
    basis = codes[slot % REMEMBERED] & ON_WIRE
    if since != UNKNOWN:
        kind = _commonest(codes, slot, f, basis, since)
    elif _ping_pong(memory, rules, windows, t, d, f, w, slot):
        kind, since = OSCILLATING, _swaps(codes, slot)[1]
    else:
        return log
    raises = memory.raises[t, d, f]
    raises[2], raises[1], raises[0] = raises[1], raises[0], slot
    again = raises[2] != UNKNOWN and slot - raises[2] <= rules.hold
    memory.kind[t, d, f] = kind
    memory.severity[t, d, f] = _level(windows.level[t, w, d], kind)
    memory.on_wire[t, d, f] = basis != 0
    memory.raised[t, d, f] = slot
    memory.since[t, d, f] = since
    memory.calm[t, d, f] = 0
    memory.missing[t, d, f] = 0
    memory.met[t, d, f] = slot
    memory.recurrences[t, d, f] = COMES_AND_GOES if again else 0
    log = _note(memory, t, d, f, slot, RECURRENT if again else RAISED, log)
    rows, figures, n = log
    rows[n - 1, 9] = slot - since + 1
    rows[n - 1, 10], rows[n - 1, 11] = _counted(codes, slot, since, f, basis)
    peak, peak_slot, peak_at, discards = _worst(memory, t, d, slot, since)
    rows[n - 1, 12] = peak_slot
    figures[n - 1, 0], figures[n - 1, 1], figures[n - 1, 2] = peak, discards, peak_at
    return log


@compiled
def _raised_here(memory: Memory, rules: RuleTable, t: int, d: int, f: int, slot: int, trusted: bool) -> None:
    """Rebuilding: a finding is known to have been raised at this window; the windows tell as what, if they reach back.

    Where they don't, the kind that the finding has by now is as good: whatever changed it since
    shows again.
    """
    memory.met[t, d, f] = slot
    if not trusted:
        return
    codes = memory.codes[t, d]
    due = _is_due(memory, rules, t, d, f, slot, 0)
    basis = codes[slot % REMEMBERED] & ON_WIRE
    memory.kind[t, d, f] = OSCILLATING if due == UNKNOWN else _commonest(codes, slot, f, basis, due)
    if memory.recurrences[t, d, f]:
        memory.recurrences[t, d, f] = COMES_AND_GOES


@compiled
def _wait(memory: Memory, rules: RuleTable, t: int, d: int, f: int, slot: int, remember: bool, log: Log) -> Log:
    """Nobody knows, or on another basis than the finding's: it waits, and after a while says so."""
    missing = memory.missing[t, d, f] + 1
    memory.missing[t, d, f] = min(missing, rules.blind + 1)
    if missing == rules.blind:
        # Calm minutes on either side of so long a hole are not running.
        memory.calm[t, d, f] = 0
        if not remember:
            return _note(memory, t, d, f, slot, UNVERIFIED, log)
    return log


@compiled
def _follow(
    memory: Memory,
    rules: RuleTable,
    windows: Windows,
    t: int,
    d: int,
    f: int,
    w: int,
    slot: int,
    first: int,
    remember: bool,
    log: Log,
) -> Log:
    """Take an open finding through one window."""
    code = memory.codes[t, d, slot % REMEMBERED]
    missing = memory.missing[t, d, f]
    if code == 0 or ((code & ON_WIRE) != 0) != memory.on_wire[t, d, f]:
        return _wait(memory, rules, t, d, f, slot, remember, log)
    memory.missing[t, d, f] = 0
    if missing >= rules.blind and not remember:
        log = _note(memory, t, d, f, slot, VERIFIED, log)
    if not remember or w >= REMEMBERED:
        kind = _kind_now(memory, rules, windows, t, d, f, w, slot)
        if kind != memory.kind[t, d, f]:
            memory.kind[t, d, f] = kind
            if not remember:
                log = _note(memory, t, d, f, slot, NEW_KIND, log)
    # Severity rises, and never falls while the finding is open: that would only make noise.
    level = _level(windows.level[t, w, d], memory.kind[t, d, f])
    if level > memory.severity[t, d, f] and _carries(code, f) and not remember:
        memory.severity[t, d, f] = level
        log = _note(memory, t, d, f, slot, NEW_SEVERITY, log)
    _count_again(memory, rules, t, d, f, slot, not remember or memory.raised[t, d, f] >= first + REMEMBERED)
    if _is_over(memory, rules, t, d, f, slot, windows.calm[t, w, d, f]) and not remember:
        log = _note(memory, t, d, f, slot, CLEARED, log)
        memory.kind[t, d, f] = 0
        memory.recurrences[t, d, f] = 0
    return log


@compiled
def _kind_now(memory: Memory, rules: RuleTable, windows: Windows, t: int, d: int, f: int, w: int, slot: int) -> int:
    """The kind of an open finding follows the windows by the rule that raises; a ping-pong lasts while it swings."""
    kind = int(memory.kind[t, d, f])
    if f == BUILD:
        return kind
    if _ping_pong(memory, rules, windows, t, d, f, w, slot):
        return OSCILLATING
    if kind == OSCILLATING and _swaps(memory.codes[t, d], slot)[0] > 0:
        return kind
    own = int(memory.codes[t, d, slot % REMEMBERED]) & KIND_BITS
    if own != kind and _is_due(memory, rules, t, d, f, slot, own) != UNKNOWN:
        return own
    return kind


@compiled
def _count_again(memory: Memory, rules: RuleTable, t: int, d: int, f: int, slot: int, count: bool) -> None:
    """What is held open because it comes and goes came again, if it had stayed away for as long as clears."""
    if _is_due(memory, rules, t, d, f, slot, 0) == UNKNOWN:
        return
    met = memory.met[t, d, f]
    away = met == UNKNOWN or slot - met > rules.clear_windows[t]
    if count and away and memory.recurrences[t, d, f] >= COMES_AND_GOES:
        memory.recurrences[t, d, f] += 1
    memory.met[t, d, f] = slot


@compiled
def _is_over(memory: Memory, rules: RuleTable, t: int, d: int, f: int, slot: int, calm: bool) -> bool:
    """Whether enough calm windows ran; a window between the lines only starts their count anew."""
    if not calm:
        memory.calm[t, d, f] = 0
        return False
    memory.calm[t, d, f] += 1
    if memory.calm[t, d, f] == 1:
        memory.calm_from[t, d, f] = slot
    if memory.recurrences[t, d, f] >= COMES_AND_GOES and slot + 1 - memory.calm_from[t, d, f] < rules.hold:
        return False
    return bool(memory.calm[t, d, f] >= rules.clear_windows[t])


@compiled
def _level(level: int, kind: int) -> int:
    """A merely skewed team never wakes anyone."""
    return min(level, MINOR) if kind == SKEWED else level


@compiled
def _note(memory: Memory, t: int, d: int, f: int, slot: int, what: int, log: Log) -> Log:
    """Write down that something became so, with twice the room where there is none left."""
    rows, figures, n = log
    if n == len(rows):
        rows = np.concatenate((rows, np.empty_like(rows)))
        figures = np.concatenate((figures, np.empty_like(figures)))
    rows[n, 0], rows[n, 1], rows[n, 2], rows[n, 3], rows[n, 4] = slot, t, d, f, what
    rows[n, 5], rows[n, 6] = memory.kind[t, d, f], memory.severity[t, d, f]
    rows[n, 7], rows[n, 8] = memory.since[t, d, f], memory.recurrences[t, d, f]
    rows[n, 9:] = 0
    figures[n, 0], figures[n, 1], figures[n, 2] = np.nan, np.nan, UNKNOWN
    return rows, figures, n + 1
