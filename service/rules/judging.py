"""The loop that judges teams: measures and kind of every team in every window and direction, compiled.

Its measures are those of `numerics.teams`, taken in one go because a fleet has a million ports;
a test holds the two together.
"""

# ruff: noqa: C901, PLR0915 - the loop reads from the members to the verdict in one go

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from service.numerics.compiled import compiled
from service.rules.table import SLACK, RuleTable
from service.terms import Bytes, Codes, Floats, Ints, Kind, Mark, Marks, Singles, Truths, WhyNot

ELIGIBLE, DOWN = int(WhyNot.ELIGIBLE), int(WhyNot.DOWN)
NO_DATA, PARTIAL = int(WhyNot.NO_DATA), int(WhyNot.PARTIAL)
SPEED_UNKNOWN, SPEED_CHANGED, SPEED_DOUBTFUL = (
    int(WhyNot.SPEED_UNKNOWN),
    int(WhyNot.SPEED_CHANGED),
    int(WhyNot.SPEED_DOUBTFUL),
)
NONE, UNEVEN, UNEVEN_AND_FULL = int(Kind.NONE), int(Kind.UNEVEN), int(Kind.UNEVEN_AND_FULL)
SKEWED, FULL, HOT_NO_SIBLING = int(Kind.SKEWED), int(Kind.FULL), int(Kind.HOT_NO_SIBLING)
SHARED = int(Mark.SHARED)

SKEWED_FROM = 0.15  # imbalance below which a team without an idle member is not worth a word


class Members(NamedTuple):
    """What is read of ports, shape (n_ports, n_windows, 2) or (n_ports, n_windows)."""

    utilisation: Floats
    why_not: Bytes
    basis: Bytes
    discards: Singles
    speed_bps: Ints
    marks: Marks


class Judged(NamedTuple):
    """What is found of teams, shape (n_teams, n_windows, 2); fields as in TeamWindows."""

    evaluable: Truths
    even_split: Floats
    imbalance: Floats
    utilisation: Floats
    busiest: npt.NDArray[np.int8]
    busiest_share: Floats
    total_bps: Floats
    usable_bps: Floats
    stranded_bps: Floats
    room_bps: Floats
    one_lost: Floats
    hot: Bytes
    idle: Bytes
    kind: Bytes
    degraded: Truths
    calm: Truths
    calm_full: Truths
    calm_degraded: Truths
    basis: Bytes
    discards: Singles


@compiled
def judge(members: Members, seats: Codes, rules: RuleTable, out: Judged) -> None:
    """Judge all teams; `seats`, shape (n_teams, M), are their ports by position, below 0 where there is none."""
    # Columns by name once: a tuple of arrays handed on for every team would cost more than the judging.
    utilisation, why_not, speeds, marks = members.utilisation, members.why_not, members.speed_bps, members.marks
    bases, discards = members.basis, members.discards
    n_teams, places = seats.shape
    for t in range(n_teams):
        hot_line, idle_line, clear_line = rules.hot[t] + SLACK, rules.idle[t] - SLACK, rules.clear[t] + SLACK
        for w in range(utilisation.shape[1]):
            for d in range(2):
                eligible = hot = idle = 0
                some_missing = some_down = half_duplex = full_duplex = False
                top, top_u, low_u, top_rate, top_basis = -1, np.nan, np.nan, 0.0, 0
                capacity = load = fastest = room = 0.0
                worst = top_discards = np.nan
                for m in range(places):
                    p = seats[t, m]
                    if p < 0:
                        continue
                    why, u, speed = why_not[p, w, d], utilisation[p, w, d], float(speeds[p, w])
                    if why != ELIGIBLE or np.isnan(u) or speed <= 0:
                        some_down |= why == DOWN
                        some_missing |= _nobody_knows(why)
                        continue
                    eligible += 1
                    half_duplex |= (marks[p, w] & SHARED) != 0
                    full_duplex |= (marks[p, w] & SHARED) == 0
                    capacity += speed
                    load += u * speed
                    fastest = max(fastest, speed)
                    top_rate = max(top_rate, u * speed)
                    room += max(0.0, (rules.hot[t] - u) * speed)
                    if u > hot_line:
                        hot |= 1 << m
                        worst = _larger(worst, discards[p, w, d])
                    elif u < idle_line:
                        idle |= 1 << m
                    if top < 0 or u > top_u:
                        top, top_u, top_basis, top_discards = m, u, bases[p, w, d], discards[p, w, d]
                    if eligible == 1 or u < low_u:
                        low_u = u
                even_split = load / capacity if eligible else np.nan
                imbalance = max(top_u - even_split, even_split - low_u)
                usable = load / top_u if top_u > 0 else np.nan
                evaluable = eligible > 0 and (not some_missing or (hot != 0 and idle != 0))
                # Half duplex shows one medium twice; it is judged once, as egress.
                if d == 1 and half_duplex and not full_duplex:
                    evaluable = False
                has_room, cool = even_split <= clear_line, top_u <= clear_line
                kind = _kind(hot, idle, eligible, has_room, imbalance) if evaluable else NONE
                lopsided = kind in (UNEVEN, UNEVEN_AND_FULL, SKEWED)
                sure = evaluable and not some_missing
                out.evaluable[t, w, d] = evaluable
                out.even_split[t, w, d] = even_split
                out.imbalance[t, w, d] = imbalance
                out.utilisation[t, w, d] = top_u
                out.busiest[t, w, d] = top
                out.busiest_share[t, w, d] = top_rate / load if load > 0 else np.nan
                out.total_bps[t, w, d] = load if eligible else np.nan
                out.usable_bps[t, w, d] = usable
                out.stranded_bps[t, w, d] = capacity - usable
                out.room_bps[t, w, d] = room if eligible else np.nan
                out.one_lost[t, w, d] = _without_fastest(load, capacity - fastest)
                out.hot[t, w, d] = hot
                out.idle[t, w, d] = idle
                out.kind[t, w, d] = kind
                out.degraded[t, w, d] = evaluable and hot != 0 and some_down
                # No idle sibling left ends an unevenness too, unless a wide gap keeps the team skewed.
                out.calm[t, w, d] = sure and not lopsided and (cool or idle == 0)
                # Short of capacity is a team whose even split is high; an idle sibling is another trouble.
                out.calm_full[t, w, d] = sure and has_room
                out.calm_degraded[t, w, d] = sure and (cool or not some_down)
                out.basis[t, w, d] = top_basis
                out.discards[t, w, d] = _larger(worst, top_discards) if d == 0 else np.nan


@compiled
def _nobody_knows(why: int) -> bool:
    """Whether a member's share of the load is unknown, as against known to be none of ours.

    A member that is eligible but for its figures is unknown as well.
    """
    return why in (ELIGIBLE, NO_DATA, PARTIAL, SPEED_UNKNOWN, SPEED_CHANGED, SPEED_DOUBTFUL)


@compiled
def _kind(hot: int, idle: int, eligible: int, has_room: bool, imbalance: float) -> int:
    """The kind of an evaluable window; `eligible` counts the hot members too."""
    if hot == 0:
        return NONE
    if eligible == 1:
        return HOT_NO_SIBLING
    if idle != 0:
        return UNEVEN if has_room else UNEVEN_AND_FULL
    if not has_room:
        return FULL
    return SKEWED if imbalance >= SKEWED_FROM - SLACK else NONE


@compiled
def _without_fastest(load: float, left: float) -> float:
    """The even split on the capacity that is left; no bound where nothing is left, unknown where nothing is carried."""
    if left > 0:
        return load / left
    return np.inf if load > 0 else np.nan


@compiled
def _larger(a: float, b: float) -> float:
    """The larger of two figures of which either may be unknown."""
    if np.isnan(a) or b > a:
        return b
    return a
