"""How grave a finding is: from depth, duration and harm, never from the ratio of two members.

The words are those of ITU-T X.733 and RFC 8632. `critical` is never reached here: only a site's
own rule may call an imbalance that.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.numerics.compiled import compiled
from service.rules.table import SLACK, windows_in
from service.terms import Bytes, Codes, Floats, Singles, TeamWindows, Truths

WARNING, MINOR, MAJOR = range(3)  # positions in SEVERITY_ORDER

FULL = 0.97  # of line rate on wire; counted octets of full frames end at 1518/1538 = 98.70 %
FULL_FOR_S = 300
DEEP = 0.90
DEEP_FOR_S = 900
HARM = 1e-4  # discards / (discards + packets) at the sending end
TRACE = 1e-6
HOLE_S = 120  # so long without an evaluable window, and "for 5 min" starts anew
SINGLE = 1e-6  # ratios are kept in single precision: 1e-4 comes back as 0.99999997e-4


class Depth(NamedTuple):
    """For how many evaluable windows running a team has been full and deep, arrays of shape (n_teams, 2)."""

    full: Codes
    deep: Codes
    hole: Codes  # windows since the last evaluable one


def no_depth(n_teams: int) -> Depth:
    """Nothing seen yet."""
    return Depth(*(np.zeros((n_teams, 2), dtype=np.int32) for _ in range(3)))


def levels(depth: Depth, teams: TeamWindows, alone: Truths | None = None) -> tuple[Depth, Bytes]:
    """How grave each window is, given those before it.

    Parameters
    ----------
    depth : Depth
        What the windows before `teams` left.
    teams : TeamWindows
        `utilisation` of the busiest member and `discards` at the sending end, NaN where nobody
        counts them. A counted utilisation of 97 % is more than that on wire, so either will do.
    alone : Truths, shape (n_teams, 2), optional
        Where the hot member carries one conversation and nothing else: it hurts only itself.

    Returns
    -------
    Depth and levels, shape (n_teams, n_windows, 2), of WARNING, MINOR, MAJOR.

    Source
    ------
    Perceived severities of ITU-T X.733; the lines are this project's.
    """
    width_ms = teams.span.width_ms
    own = Depth._make(column.copy() for column in depth)
    found = np.empty(teams.evaluable.shape, dtype=np.uint8)
    lasting = (windows_in(FULL_FOR_S, width_ms), windows_in(DEEP_FOR_S, width_ms), windows_in(HOLE_S, width_ms))
    _grade(_seen(teams, alone), lasting, own, found)
    return own, found


def after_hole(depth: Depth, windows: int, width_ms: int) -> Depth:
    """The same after so many windows of which nothing is known."""
    limit = windows_in(HOLE_S, width_ms)
    hole = depth.hole + np.int32(windows)
    lost = hole >= limit
    return Depth(
        np.where(lost, 0, depth.full).astype(np.int32),
        np.where(lost, 0, depth.deep).astype(np.int32),
        np.minimum(hole, limit).astype(np.int32),
    )


class _Seen(NamedTuple):
    """What the loop reads of teams, shape (n_teams, n_windows, 2); `alone` (n_teams, 2)."""

    known: Truths
    busiest: Floats
    discards: Singles
    alone: Truths


def _seen(teams: TeamWindows, alone: Truths | None) -> _Seen:
    shape = teams.evaluable.shape
    discards = teams.discards if teams.discards.size else np.full(shape, np.nan, dtype=np.float32)
    return _Seen(
        _plain(teams.evaluable, np.bool_),
        _plain(teams.utilisation, np.float64),
        _plain(discards, np.float32),
        _plain(np.zeros((shape[0], 2), dtype=np.bool_) if alone is None else alone, np.bool_),
    )


def _plain(column: npt.NDArray[Any], kind: type) -> npt.NDArray[Any]:
    # Read-only or strided columns would each be a loop of their own to compile.
    return np.require(column, dtype=kind, requirements=["C", "W"])


# As the figures are kept: compared in double precision, a ratio that is just on the line would fall below it.
_HARM, _TRACE = np.float32(HARM * (1 - SINGLE)), np.float32(TRACE * (1 - SINGLE))


@compiled
def _grade(seen: _Seen, lasting: tuple[int, int, int], depth: Depth, found: Bytes) -> None:
    """Take all teams through all windows; `lasting` are the windows that make full, deep and a hole."""
    full_for, deep_for, longest_hole = lasting
    full, deep, hole = depth.full, depth.deep, depth.hole
    known, busiest, discards, alone = seen.known, seen.busiest, seen.discards, seen.alone
    for t in range(known.shape[0]):
        for d in range(2):
            for w in range(known.shape[1]):
                if known[t, w, d]:
                    hole[t, d] = 0
                    full[t, d] = full[t, d] + 1 if busiest[t, w, d] >= FULL - SLACK else 0
                    deep[t, d] = deep[t, d] + 1 if busiest[t, w, d] > DEEP + SLACK else 0
                else:
                    hole[t, d] = min(hole[t, d] + 1, longest_hole)
                    if hole[t, d] == longest_hole:
                        full[t, d] = deep[t, d] = 0
                level = WARNING
                if deep[t, d] >= deep_for or discards[t, w, d] >= _TRACE:
                    level = MINOR
                if full[t, d] >= full_for and discards[t, w, d] >= _HARM and not alone[t, d]:
                    level = MAJOR
                found[t, w, d] = level
