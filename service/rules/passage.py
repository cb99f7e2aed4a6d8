"""One pass over teams and windows that takes findings through their life, compiled, reading like its rules.

Everything that is compiled here stands in this file: what is compiled is kept on disk under the
date of the file that asked for it, and would not notice a change in another one. Only `live`
takes tuples of arrays; what it calls takes one place's row and plain numbers, which compiles in
a tenth of the time.
"""

# ruff: noqa: PLR0913, PLR0917 - compiled functions take plain numbers, one by one
# ruff: noqa: C901, PLR0912, PLR0915 - the pass reads from the first step to the last

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np

from service.numerics.compiled import compiled
from service.rules.state import (
    CALM,
    CALM_FROM,
    COMES_AND_GOES,
    DEGRADED_BIT,
    EVALUABLE,
    FAMILIES,
    KIND,
    KIND_BITS,
    MET,
    MISSING,
    ON_WIRE,
    PEAKS,
    RAISED,
    RAISES,
    RECURRENCES,
    REMEMBERED,
    SEVERITY,
    SINCE,
    SWAPPED,
    SWINGS,
    UNFIT_BITS,
    UNFIT_SHIFT,
    WIRED,
    Memory,
    Positions,
)
from service.rules.table import SLACK, RuleTable
from service.rules.unfit_loop import KIND_OF, NEEDED
from service.terms import UNKNOWN, Bytes, Codes, Family, Floats, Ints, Kind, Marks, Singles, Truths

DISTRIBUTION, CAPACITY, BUILD = int(Family.DISTRIBUTION), int(Family.CAPACITY), int(Family.BUILD)
UNEVEN, SKEWED = int(Kind.UNEVEN), int(Kind.SKEWED)
FULL, HOT_NO_SIBLING = int(Kind.FULL), int(Kind.HOT_NO_SIBLING)
OSCILLATING, DEGRADED = int(Kind.OSCILLATING), int(Kind.DEGRADED)
ONE_SIDED, UNANSWERED, SICK = KIND_OF
MINOR, MAJOR = 1, 2  # positions in SEVERITY_ORDER

SWAPS = 4  # changes of the hot members in SWINGS windows that make a ping-pong ...
STEADY = 0.10  # ... while the team's total varies by no more than this (population standard deviation / mean)

STEPS = ("raised", "recurrent", "verified", "kind", "severity", "unverified", "cleared")
IS_RAISED, IS_RECURRENT, IS_VERIFIED, HAS_NEW_KIND, HAS_NEW_SEVERITY, IS_UNVERIFIED, IS_CLEARED = range(7)
# A step's whole numbers: slot, team, direction, family, what, kind, level, since, recurrences, and of a
# raise: windows seen, evaluable, flagged, slot of the peak. Its figures: peak, discards, member at the peak.
STEP_COLUMNS = 13

# A team's rule in whole numbers: windows to raise, of how many, how far back, to clear, blind after, held for.
TeamRule: TypeAlias = tuple[int, int, int, int, int, int]


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
    unfit_kind: Bytes
    unfit_age: Bytes
    recovering: Truths
    unfit_blind: Truths


@compiled
def live(
    memory: Memory, rules: RuleTable, windows: Windows, first: int, gap: int, remember: bool
) -> tuple[Ints, Floats]:
    """Take all teams through all windows; with `remember`, findings are taken as they are and only followed."""
    codes, totals, hot, hot_slot, life = memory.codes, memory.totals, memory.hot, memory.hot_slot, memory.life
    peaks, peak_at, discards = memory.peaks, memory.peak_at, memory.discards
    n_teams, n_windows = windows.evaluable.shape[0], windows.evaluable.shape[1]
    rows, figures, n = np.empty((16, STEP_COLUMNS), dtype=np.int64), np.empty((16, 3), dtype=np.float64), 0
    # After so long a hole nothing is left to forget.
    lead = min(gap, rules.blind + REMEMBERED + 1)
    for t in range(n_teams):
        rule = (
            int(rules.raise_windows[t]),
            int(rules.raise_of[t]),
            int(rules.within[t]),
            int(rules.clear_windows[t]),
            rules.blind,
            rules.hold,
        )
        clear_line = rules.clear[t] + SLACK
        for d in range(2):
            for k in range(lead + n_windows):
                w = k - gap if k < lead else k - lead
                slot = first + w
                code = level = 0
                has_room = False
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
                    level = int(windows.level[t, w, d])
                    has_room = windows.even_split[t, w, d] <= clear_line
                    totals[t, d, at_swing] = windows.total[t, w, d]
                    peaks[t, d, at] = windows.utilisation[t, w, d]
                    peak_at[t, d, at] = windows.busiest[t, w, d]
                    discards[t, d, at] = windows.discards[t, w, d]
                unfit = int(windows.unfit_kind[t, w, d]) if w >= 0 else 0
                if unfit != 0:
                    code |= (unfit - ONE_SIDED + 1) << UNFIT_SHIFT
                codes[t, d, slot % REMEMBERED] = code
                for f in range(FAMILIES):
                    mine, steps = life[t, d, f], 0
                    is_open = mine[KIND] != 0
                    if not is_open and (remember or not _carries(code, f)):
                        continue
                    ping_pong = has_room and _ping_pong(codes[t, d], totals[t, d], slot, f)
                    grave, age = level, 0
                    if f == BUILD and unfit != 0:
                        grave, age = _level_of_unfit(unfit, rules.bundled[t]), int(windows.unfit_age[t, w, d])
                    if not is_open:
                        steps = _raise(mine, codes[t, d], rule, slot, f, grave, ping_pong, age)
                    elif remember and slot <= mine[RAISED]:
                        if slot == mine[RAISED]:
                            _raised_here(mine, codes[t, d], rule, slot, f, w >= REMEMBERED)
                    elif f == BUILD and w >= 0 and _about_unfit(mine[KIND], unfit):
                        if windows.unfit_blind[t, w, d] or (code == 0 and not windows.recovering[t, w, d]):
                            steps = _wait(mine, rule, False)
                        else:
                            calm = windows.calm[t, w, d, f]
                            if windows.recovering[t, w, d]:
                                calm = (code & DEGRADED_BIT) == 0
                            knows = not remember or w >= REMEMBERED
                            counts = not remember or mine[RAISED] >= first + REMEMBERED
                            if remember:
                                grave = 0
                            calm &= unfit == 0
                            steps = _follow(mine, codes[t, d], rule, slot, f, grave, False, calm, knows, counts)
                    elif code == 0 or ((code & ON_WIRE) != 0) != (mine[WIRED] != 0):
                        steps = _wait(mine, rule, code != 0)
                    else:
                        calm = windows.calm[t, w, d, f] and (f != BUILD or not windows.unfit_blind[t, w, d])
                        knows = not remember or w >= REMEMBERED
                        counts = not remember or mine[RAISED] >= first + REMEMBERED
                        if remember:
                            level = 0
                        steps = _follow(mine, codes[t, d], rule, slot, f, level, ping_pong, calm, knows, counts)
                    if steps == 0 or remember:
                        continue
                    for what in range(len(STEPS)):
                        if steps >> what & 1:
                            if n == len(rows):
                                rows = np.concatenate((rows, np.empty_like(rows)))
                                figures = np.concatenate((figures, np.empty_like(figures)))
                            _note(rows[n], figures[n], mine, slot, what)
                            rows[n, 1], rows[n, 2], rows[n, 3] = t, d, f
                            if what in (IS_RAISED, IS_RECURRENT):
                                _count(rows[n], codes[t, d], slot, f, unfit)
                                _find_peak(rows[n], figures[n], peaks[t, d], peak_at[t, d], discards[t, d])
                            n += 1
                    if steps >> IS_CLEARED & 1:
                        mine[KIND] = mine[RECURRENCES] = 0
    return rows[:n], figures[:n]


@compiled
def _code(kind: int, degraded: bool, swapped: bool, on_wire: bool) -> int:
    """What is kept of an evaluable window."""
    return EVALUABLE | int(kind) | degraded * DEGRADED_BIT | swapped * SWAPPED | on_wire * ON_WIRE


@compiled
def _is_swap(before: int, now: int) -> bool:
    """Whether one member left the hot ones and another joined them.

    A second member that flickers at the line is no swap, nor are windows in which none is hot.
    """
    return (now & ~before) != 0 and (before & ~now) != 0


@compiled
def _carries(code: int, family: int) -> bool:
    """Whether a remembered window carries a kind of the family."""
    kind = code & KIND_BITS
    if family == BUILD:
        return (code & (DEGRADED_BIT | UNFIT_BITS)) != 0
    if family == CAPACITY:
        return kind in (FULL, HOT_NO_SIBLING)
    return kind >= UNEVEN and kind <= SKEWED


@compiled
def _due(codes: Marks, rule: TeamRule, slot: int, family: int, kind: int) -> int:
    """The slot of the oldest of the flagged windows that make a raise due at this one, or UNKNOWN.

    Only windows on this one's basis count; with a `kind`, only those of that very kind are flagged.
    """
    now = codes[slot % REMEMBERED]
    if not _carries(now, family):
        return UNKNOWN
    if family == BUILD and (now & UNFIT_BITS) != 0:
        return slot  # its windows were counted before it was called unfit
    needed, of, within, _, _, _ = rule
    seen = 0
    flagged = 0
    for back in range(within):
        code = codes[(slot - back) % REMEMBERED]
        if (code & EVALUABLE) == 0 or (code & ON_WIRE) != (now & ON_WIRE):
            continue
        seen += 1
        if family == BUILD:
            is_flagged = (code & DEGRADED_BIT) != 0
        else:
            is_flagged = _carries(code, family) and (kind in (0, code & KIND_BITS))
        if is_flagged:
            flagged += 1
            if flagged == needed:
                return slot - back
        if seen == of:
            break
    return UNKNOWN


@compiled
def _commonest(codes: Marks, slot: int, family: int, since: int) -> int:
    """The kind that most flagged windows since `since` carried; of two as common, the newer."""
    if family == BUILD:
        return _build_kind(codes[slot % REMEMBERED])
    best = 0
    most = 0
    basis = codes[slot % REMEMBERED] & ON_WIRE
    for back in range(slot - since + 1):
        candidate = codes[(slot - back) % REMEMBERED] & KIND_BITS
        count = 0
        for other in range(slot - since + 1):
            code = codes[(slot - other) % REMEMBERED]
            if (code & EVALUABLE) and (code & ON_WIRE) == basis and (code & KIND_BITS) == candidate:
                count += 1
        if count > most and _carries(candidate, family):
            best = int(candidate)
            most = count
    return best


@compiled
def _build_kind(code: int) -> int:
    """The kind of a window that carries one of the build family: a member that must not be used is graver."""
    unfit = (int(code) & UNFIT_BITS) >> UNFIT_SHIFT
    return unfit + ONE_SIDED - 1 if unfit != 0 else DEGRADED


@compiled
def _about_unfit(kind: int, unfit: int) -> bool:
    """Whether an open finding is about an unfit member, or will be: what rests on no utilisation has no basis."""
    return unfit != 0 or kind in (ONE_SIDED, UNANSWERED, SICK)


@compiled
def _level_of_unfit(kind: int, bundled: bool) -> int:
    """How grave an unfit member is: one that may cut somebody off is major.

    A bundle tells its ends which members carry, and leaves most of them no traffic to lose.
    """
    if kind == UNANSWERED:
        return MAJOR
    return MAJOR if kind == ONE_SIDED and not bundled else MINOR


@compiled
def _swings(codes: Marks, slot: int) -> tuple[int, int]:
    """How often the hot members changed in the last SWINGS windows, and the slot of the first change."""
    count = 0
    first = slot
    for back in range(SWINGS):
        if codes[(slot - back) % REMEMBERED] & SWAPPED:
            count += 1
            first = slot - back
    return count, first


@compiled
def _ping_pong(codes: Marks, totals: Singles, slot: int, family: int) -> bool:
    """Whether a flagged window is one more stroke of a load that goes to and fro between members."""
    if family != DISTRIBUTION or not _carries(codes[slot % REMEMBERED], family):
        return False
    return _swings(codes, slot)[0] >= SWAPS and _steady(totals)


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
def _raise(
    mine: Codes, codes: Marks, rule: TeamRule, slot: int, family: int, level: int, ping_pong: bool, age: int
) -> int:
    """Raise, if a raise is due: by enough flagged windows, or by a ping-pong that flags too few."""
    since = _due(codes, rule, slot, family, 0)
    if since != UNKNOWN:
        kind = _commonest(codes, slot, family, since)
    elif ping_pong:
        kind, since = OSCILLATING, _swings(codes, slot)[1]
    else:
        return 0
    mine[RAISES + 2], mine[RAISES + 1], mine[RAISES] = mine[RAISES + 1], mine[RAISES], slot
    again = mine[RAISES + 2] != UNKNOWN and slot - mine[RAISES + 2] <= rule[5]
    mine[KIND] = kind
    mine[SEVERITY] = _level(level, kind)
    mine[WIRED] = (codes[slot % REMEMBERED] & ON_WIRE) != 0
    mine[RAISED] = mine[MET] = slot
    mine[SINCE] = since - age
    mine[CALM] = mine[MISSING] = 0
    mine[RECURRENCES] = COMES_AND_GOES if again else 0
    return 1 << (IS_RECURRENT if again else IS_RAISED)


@compiled
def _raised_here(mine: Codes, codes: Marks, rule: TeamRule, slot: int, family: int, knows: bool) -> None:
    """Rebuilding: a finding is known to have been raised at this window; the windows tell as what, if they reach back.

    Where they don't, the kind that the finding has by now is as good: whatever changed it since
    shows again.
    """
    mine[MET] = slot
    if not knows:
        return
    since = _due(codes, rule, slot, family, 0)
    mine[KIND] = OSCILLATING if since == UNKNOWN else _commonest(codes, slot, family, since)
    if mine[RECURRENCES]:
        mine[RECURRENCES] = COMES_AND_GOES


@compiled
def _wait(mine: Codes, rule: TeamRule, is_told: bool) -> int:
    """Nobody knows, or what is told is on another basis than the finding's: it waits, and after a while says so."""
    blind, hold = rule[4], rule[5]
    mine[MISSING] = min(mine[MISSING] + 1, hold + 1)
    steps = 0
    if mine[MISSING] == blind:
        # Calm minutes on either side of so long a hole are not running.
        mine[CALM] = 0
        steps |= 1 << IS_UNVERIFIED
    # A source that counts otherwise for good would keep it open for ever, and others of its family from being raised.
    if is_told and mine[MISSING] >= hold:
        steps |= 1 << IS_CLEARED
    return steps


@compiled
def _follow(
    mine: Codes,
    codes: Marks,
    rule: TeamRule,
    slot: int,
    family: int,
    level: int,
    ping_pong: bool,
    calm: bool,
    knows: bool,
    counts: bool,
) -> int:
    """Take an open finding through an evaluable window; what became so, as bits.

    `knows` is whether enough is remembered to tell its kind, `counts` whether it may be counted
    as having come again: while rebuilding, neither always is.
    """
    steps = 0
    if mine[MISSING] >= rule[4]:
        steps |= 1 << IS_VERIFIED
    mine[MISSING] = 0
    if knows:
        kind = _kind_now(mine, codes, rule, slot, family, ping_pong)
        if kind != mine[KIND]:
            mine[KIND] = kind
            steps |= 1 << HAS_NEW_KIND
    # Severity rises, and never falls while the finding is open: that would only make noise.
    if _carries(codes[slot % REMEMBERED], family) and _level(level, mine[KIND]) > mine[SEVERITY]:
        mine[SEVERITY] = _level(level, mine[KIND])
        steps |= 1 << HAS_NEW_SEVERITY
    if _due(codes, rule, slot, family, 0) != UNKNOWN:
        # What is held open because it comes and goes came again, if it had stayed away for as long as clears.
        away = mine[MET] == UNKNOWN or slot - mine[MET] > rule[3]
        if counts and away and mine[RECURRENCES] >= COMES_AND_GOES:
            mine[RECURRENCES] += 1
        mine[MET] = slot
    if _is_over(mine, rule, slot, calm):
        steps |= 1 << IS_CLEARED
    return steps


@compiled
def _kind_now(mine: Codes, codes: Marks, rule: TeamRule, slot: int, family: int, ping_pong: bool) -> int:
    """The kind of an open finding follows the windows by the rule that raises; a ping-pong lasts while it swings."""
    kind = int(mine[KIND])
    if family == BUILD:
        return kind if _due(codes, rule, slot, family, 0) == UNKNOWN else _build_kind(codes[slot % REMEMBERED])
    if ping_pong:
        return OSCILLATING
    if kind == OSCILLATING and _swings(codes, slot)[0] > 0:
        return kind
    own = int(codes[slot % REMEMBERED]) & KIND_BITS
    if own != kind and _due(codes, rule, slot, family, own) != UNKNOWN:
        return own
    return kind


@compiled
def _is_over(mine: Codes, rule: TeamRule, slot: int, calm: bool) -> bool:
    """Whether enough calm windows ran; a window between the lines only starts their count anew."""
    if not calm:
        mine[CALM] = 0
        return False
    mine[CALM] += 1
    if mine[CALM] == 1:
        mine[CALM_FROM] = slot
    if mine[RECURRENCES] >= COMES_AND_GOES and slot + 1 - mine[CALM_FROM] < rule[5]:
        return False
    return bool(mine[CALM] >= rule[3])


@compiled
def _level(level: int, kind: int) -> int:
    """A merely skewed team never wakes anyone."""
    return min(level, MINOR) if kind == SKEWED else level


@compiled
def _note(row: Ints, figures: Floats, mine: Codes, slot: int, what: int) -> None:
    """Write down that something became so."""
    row[0], row[4] = slot, what
    row[5], row[6], row[7], row[8] = mine[KIND], mine[SEVERITY], mine[SINCE], mine[RECURRENCES]
    row[9:] = 0
    figures[0], figures[1], figures[2] = np.nan, np.nan, UNKNOWN


@compiled
def _count(row: Ints, codes: Marks, slot: int, family: int, unfit: int) -> None:
    """Of the windows since a raised finding began: how many there were, were evaluable on its basis, were flagged."""
    basis = codes[slot % REMEMBERED] & ON_WIRE
    row[9] = slot - row[7] + 1
    if family == BUILD and unfit != 0:
        row[10] = row[11] = min(NEEDED[unfit - ONE_SIDED], row[9])
        return
    for back in range(row[9]):
        code = codes[(slot - back) % REMEMBERED]
        if (code & EVALUABLE) and (code & ON_WIRE) == basis:
            row[10] += 1
            row[11] += int(_carries(code, family))


@compiled
def _find_peak(row: Ints, figures: Floats, peaks: Singles, peak_at: Positions, discards: Singles) -> None:
    """Peak, its slot and member, and worst discards of the windows since a raised finding began."""
    row[12] = row[0]
    for back in range(min(PEAKS, row[9])):
        slot = row[0] - back
        peak, discarded = peaks[slot % PEAKS], discards[slot % PEAKS]
        # Of equal peaks the oldest is told, hence not just above.
        if peak >= figures[0] or (np.isnan(figures[0]) and peak >= 0):
            figures[0], figures[2] = peak, peak_at[slot % PEAKS]
            row[12] = slot
        if discarded > figures[1] or np.isnan(figures[1]):
            figures[1] = discarded
