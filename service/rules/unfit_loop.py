"""The loop that finds members that are up and yet must not be used: every member in every window, compiled.

Three conditions, by their position in UNFIT_KINDS, each of which says of a member and a window
that it HOLDS, that the window refutes it, that it lies BETWEEN (nothing to see it by: the member
idles), or that nobody can tell. Only what refutes a condition lets an unfit member recover.
"""

# ruff: noqa: C901, PLR0912, PLR0913, PLR0915, PLR0917 - the loop reads from the figures to the verdict in one go

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.numerics.compiled import compiled
from service.rules.state import OLDEST, Spells
from service.rules.table import SLACK
from service.terms import MOST_MEMBERS, Bytes, Codes, Floats, Ints, Kind, Mark, Marks, Singles, Truths, WhyNot

ONE_SIDED, UNANSWERED, SICK = range(3)  # positions in UNFIT_KINDS
KIND_OF = (int(Kind.ONE_SIDED), int(Kind.UNANSWERED), int(Kind.SICK))
SHOWN_IN = (1, 0, 1)  # the direction in which each is told: nothing comes in, what is sent is lost, damage comes in
MARK_OF = (int(Mark.ONE_SIDED), int(Mark.UNANSWERED), int(Mark.SICK))
FAR_SILENT = int(Mark.FAR_SILENT)

# Windows running after which a member is unfit. All lines are common practice, no source.
NEEDED = (20, 20, 3)
SENDS = 0.01  # utilisation in egress from which a member is in use
RECEIVE = 0.05  # what the siblings together receive, of their speed, while it receives nothing
ASKS_PER_S = 0.1  # packets a second from which a member is in use; at most a tenth of a line of idle chatter
MOSTLY_BROADCAST = 0.80  # who is not answered asks again: address resolution is broadcast
DAMAGED = 1e-5  # input errors / (input errors + input packets)
BADLY_DAMAGED = 1e-3
SINGLE = 1e-6  # figures are kept in single precision: 0.1 comes back as 0.100000001, a sum of counts is off by 2e-7

HOLDS, REFUTED, BETWEEN, UNTOLD = range(4)
PLAYS, AWAY, UNSEEN = range(3)
NONE_CAME, SOME_CAME, NOT_COUNTED = range(3)


class Seen(NamedTuple):
    """What is read of ports, shape (n_ports, n_windows, 2) or (n_ports, n_windows)."""

    utilisation: Floats
    why_not: Bytes
    packets: Singles
    mcast: Singles
    bcast: Singles
    errors: Singles
    speed_bps: Ints
    marks: Marks


class Fitness(NamedTuple):
    """What is remembered of members; fields as in Memory."""

    unfit: Bytes
    spell: Spells
    age: Bytes
    hole: Bytes


class Signs(NamedTuple):
    """What is found of teams, shape (n_teams, n_windows, 2), fields as in TeamWindows.

    `members`, shape (n_teams, n_windows, kinds), are bits of the members that are unfit after each window.
    """

    unfit: Bytes
    unfit_kind: Bytes
    unfit_age: Bytes
    recovering: Truths
    unfit_blind: Truths
    members: Bytes


@compiled
def follow(
    seen: Seen, seats: Codes, clear_windows: Codes, gap: int, longest_hole: int, recall: bool, mine: Fitness, out: Signs
) -> None:
    """Take all members through all windows, `gap` windows after those before.

    `seats`, shape (n_teams, M), are their ports by position, below 0 where there is none. With
    `recall` the windows were decided before and their marks tell who was unfit.
    """
    n_windows = seen.marks.shape[1]
    state_out, state_in = np.empty(MOST_MEMBERS, dtype=np.int64), np.empty(MOST_MEMBERS, dtype=np.int64)
    came, answered = np.empty(MOST_MEMBERS, dtype=np.int64), np.empty(MOST_MEMBERS, dtype=np.int64)
    for t in range(len(seats)):
        if gap > 0:
            _pass_over(mine.unfit[t], mine.spell[t], mine.age[t], mine.hole[t], gap, longest_hole)
        for w in range(n_windows):
            load = capacity = 0.0
            blind_in = blind_both = answers = told = 0
            some_known = False
            for m in range(seats.shape[1]):
                p = seats[t, m]
                if p < 0:
                    continue
                state_out[m], state_in[m] = _state(seen.why_not[p, w, 0]), _state(seen.why_not[p, w, 1])
                some_known |= seen.why_not[p, w, 0] != NO_DATA or seen.why_not[p, w, 1] != NO_DATA
                told |= seen.marks[p, w]
                came[m] = _came(seen.packets[p, w, 1], seen.mcast[p, w, 1], seen.bcast[p, w, 1])
                answered[m] = UNTOLD
                if state_out[m] == AWAY or state_in[m] == AWAY:
                    continue
                u, speed = seen.utilisation[p, w, 1], float(seen.speed_bps[p, w])
                if state_in[m] == UNSEEN or np.isnan(u) or speed <= 0:
                    blind_in += 1
                else:
                    load += u * speed
                    capacity += speed
                answered[m] = _answered(came[m], seen.packets[p, w, 0], seen.bcast[p, w, 0])
                if state_out[m] == UNSEEN or state_in[m] == UNSEEN:
                    answered[m] = UNTOLD
                blind_both += answered[m] == UNTOLD
                answers += answered[m] == HOLDS
            for d in range(2):
                out.unfit[t, w, d] = out.unfit_kind[t, w, d] = out.unfit_age[t, w, d] = 0
                out.recovering[t, w, d] = out.unfit_blind[t, w, d] = False
            for c in range(len(NEEDED)):
                d = SHOWN_IN[c]
                for m in range(seats.shape[1]):
                    p = seats[t, m]
                    if p < 0:
                        continue
                    bit = 1 << m
                    was_unfit = (mine.unfit[t, c] & bit) != 0
                    if c == SICK:
                        verdict = _sick(state_in[m], seen.errors[p, w, 1], seen.packets[p, w, 1])
                    elif came[m] == SOME_CAME:
                        verdict = REFUTED
                    elif c == ONE_SIDED and (seen.marks[p, w] & FAR_SILENT) != 0:
                        # A member may be out by that very state; one that is down or on standby is so by itself.
                        verdict = REFUTED if seen.why_not[p, w, 1] in (STANDBY, DOWN) else HOLDS
                    elif state_out[m] == AWAY or state_in[m] == AWAY:
                        verdict = REFUTED
                    elif c == ONE_SIDED:
                        u, speed = seen.utilisation[p, w, 1], float(seen.speed_bps[p, w])
                        known = state_in[m] != UNSEEN and not np.isnan(u) and speed > 0
                        verdict = _one_sided(
                            state_in[m] == UNSEEN or state_out[m] == UNSEEN,
                            seen.utilisation[p, w, 0],
                            came[m],
                            load - (u * speed if known else 0.0),
                            capacity - (speed if known else 0.0),
                            blind_in > (0 if known else 1),
                        )
                    else:
                        verdict = _unanswered(
                            state_in[m] == UNSEEN or state_out[m] == UNSEEN,
                            came[m],
                            seen.packets[p, w, 0],
                            seen.bcast[p, w, 0],
                            answers - (answered[m] == HOLDS) > 0,
                            blind_both > (answered[m] == UNTOLD),
                        )
                    spell, age, hole = mine.spell[t, m, c], mine.age[t, m, c], mine.hole[t, m, c]
                    if verdict != HOLDS and not was_unfit and spell == 0 and not recall:
                        continue
                    spell, age, hole = _further(verdict, was_unfit, spell, age, hole, NEEDED[c], longest_hole)
                    is_unfit = was_unfit
                    if recall:
                        if some_known or told:
                            is_unfit = (seen.marks[p, w] & MARK_OF[c]) != 0
                        if is_unfit and not was_unfit and spell < NEEDED[c]:
                            # It became so before the first window that is recalled.
                            age = OLDEST
                            spell = -1 if verdict == REFUTED else spell
                    elif not was_unfit:
                        is_unfit = spell >= NEEDED[c]
                    elif -spell >= clear_windows[t]:
                        is_unfit = False
                    if was_unfit and not is_unfit:
                        spell = age = hole = 0
                    mine.spell[t, m, c], mine.age[t, m, c], mine.hole[t, m, c] = spell, age, hole
                    if is_unfit:
                        mine.unfit[t, c] |= bit
                    else:
                        mine.unfit[t, c] &= 255 - bit
                    if is_unfit and verdict == HOLDS:
                        if out.unfit_kind[t, w, d] in (0, KIND_OF[c]):
                            out.unfit_kind[t, w, d] = KIND_OF[c]
                            out.unfit[t, w, d] |= bit
                            out.unfit_age[t, w, d] = max(out.unfit_age[t, w, d], age)
                    elif was_unfit and verdict == REFUTED:
                        out.recovering[t, w, d] = True
                    elif is_unfit:
                        out.unfit_blind[t, w, d] = True
                out.members[t, w, c] = mine.unfit[t, c]
            for d in range(2):
                # One that shows outweighs those of which nobody can tell, and these outweigh one that recovers.
                if out.unfit_kind[t, w, d] != 0:
                    out.unfit_blind[t, w, d] = False
                if out.unfit_kind[t, w, d] != 0 or out.unfit_blind[t, w, d]:
                    out.recovering[t, w, d] = False


NO_DATA = int(WhyNot.NO_DATA)
ELIGIBLE, BROKEN = int(WhyNot.ELIGIBLE), int(WhyNot.BROKEN)
SPEED_UNKNOWN, SPEED_CHANGED = int(WhyNot.SPEED_UNKNOWN), int(WhyNot.SPEED_CHANGED)
SPEED_DOUBTFUL = int(WhyNot.SPEED_DOUBTFUL)
STANDBY, OUT, DOWN = int(WhyNot.STANDBY), int(WhyNot.OUT), int(WhyNot.DOWN)


@compiled
def _state(why: int) -> int:
    """Whether a member plays a part in a direction, is away by design or down, or was not seen for long enough."""
    if why == ELIGIBLE:
        return PLAYS
    if why in (STANDBY, OUT, DOWN):
        return AWAY
    # Packets are packets whatever the speed.
    return PLAYS if why in (BROKEN, SPEED_UNKNOWN, SPEED_CHANGED, SPEED_DOUBTFUL) else UNSEEN


@compiled
def _came(packets: float, mcast: float, bcast: float) -> int:
    """Whether anything addressed to the member came in, as far as the counters tell unicast from the rest."""
    if np.isnan(packets):
        return NOT_COUNTED
    rest = 0.0
    if mcast > 0:
        rest += mcast
    if bcast > 0:
        rest += bcast
    if packets - rest <= SINGLE * packets:
        return NONE_CAME
    return NOT_COUNTED if np.isnan(mcast) or np.isnan(bcast) else SOME_CAME


@compiled
def _answered(came: int, packets: float, bcast: float) -> int:
    """Whether a member sends what is no broadcast and gets what is addressed to it."""
    if came == NONE_CAME:
        return REFUTED
    if came == NOT_COUNTED or np.isnan(packets) or np.isnan(bcast):
        return UNTOLD
    return HOLDS if packets - bcast > SINGLE * packets else REFUTED


@compiled
def _one_sided(unseen: bool, sends: float, came: int, load: float, capacity: float, blind: bool) -> int:
    """Whether a member sends and gets nothing while its siblings, of this load and capacity, receive."""
    if unseen:
        return UNTOLD
    if sends <= SENDS + SLACK:
        return BETWEEN
    if came == NOT_COUNTED or np.isnan(sends) or blind:
        return UNTOLD
    return HOLDS if capacity > 0 and load / capacity > RECEIVE + SLACK else BETWEEN


@compiled
def _unanswered(unseen: bool, came: int, packets: float, bcast: float, answers: bool, blind: bool) -> int:
    """Whether nearly all that a member sends is broadcast and nothing comes back, while a sibling is answered."""
    if unseen or came == NOT_COUNTED or np.isnan(packets):
        return UNTOLD
    if packets < ASKS_PER_S * (1 - SINGLE):
        return BETWEEN
    if np.isnan(bcast):
        return UNTOLD
    if bcast < MOSTLY_BROADCAST * packets * (1 - SINGLE):
        return BETWEEN
    if answers:
        return HOLDS
    return UNTOLD if blind else BETWEEN


@compiled
def _sick(state: int, errors: float, packets: float) -> int:
    """Whether a member receives damaged frames; where nothing came in, nobody can tell."""
    if state == AWAY:
        return REFUTED
    if state == UNSEEN or np.isnan(errors) or np.isnan(packets) or errors + packets <= 0:
        return UNTOLD
    return HOLDS if errors >= DAMAGED * (errors + packets) * (1 - SINGLE) else REFUTED


@compiled
def _further(
    verdict: int, unfit: bool, spell: int, age: int, hole: int, needed: int, longest_hole: int
) -> tuple[int, int, int]:
    """Spell, age and hole after one more window."""
    ages = min(age + 1, OLDEST) if unfit or spell > 0 else 0
    if verdict == HOLDS:
        return min(max(spell, 0) + 1, needed), ages, 0
    if verdict == UNTOLD or (verdict == BETWEEN and unfit):
        if spell == 0:
            return 0, ages, 0
        if hole + 1 < longest_hole:
            return spell, ages, hole + 1
        return 0, ages if unfit else 0, 0
    if unfit:
        return max(min(spell, 0) - 1, -MOST_CALM), ages, 0
    return 0, 0, 0


MOST_CALM = 30_000  # fits 16 bits


@compiled
def _pass_over(unfit: Bytes, spell: Spells, age: Bytes, hole: Bytes, gap: int, longest_hole: int) -> None:
    """Windows of which nothing is known at all, before those that are given."""
    for m in range(spell.shape[0]):
        for c in range(spell.shape[1]):
            is_unfit = (unfit[c] >> m & 1) != 0
            # After so many nothing changes any more.
            for _ in range(min(gap, OLDEST + longest_hole)):
                spell[m, c], age[m, c], hole[m, c] = _further(
                    UNTOLD, is_unfit, spell[m, c], age[m, c], hole[m, c], 1, longest_hole
                )
