"""How grave a finding is: from depth, duration and harm, never from the ratio of two members.

The words are those of ITU-T X.733 and RFC 8632. `critical` is never reached here: only a site's
own rule may call an imbalance that.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.rules.table import SLACK, windows_in
from service.terms import Bytes, Codes, Singles, TeamWindows, Truths

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
    found = np.zeros(teams.evaluable.shape, dtype=np.uint8)
    for window in range(teams.span.count):
        depth = _deeper(depth, teams, window)
        found[:, window] = _level(depth, _discards(teams)[:, window], teams.span.width_ms, alone)
    return depth, found


def after_hole(depth: Depth, windows: int, width_ms: int) -> Depth:
    """The same after so many windows of which nothing is known."""
    return _with_hole(depth, depth.hole + np.int32(windows), width_ms)


def _deeper(depth: Depth, teams: TeamWindows, window: int) -> Depth:
    known = teams.evaluable[:, window]
    busiest = teams.utilisation[:, window]
    depth = _with_hole(depth, np.where(known, 0, depth.hole + 1).astype(np.int32), teams.span.width_ms)
    return Depth(
        full=_longer(depth.full, known, busiest >= FULL - SLACK),
        deep=_longer(depth.deep, known, busiest > DEEP + SLACK),
        hole=depth.hole,
    )


def _longer(run: Codes, known: Truths, holds: Truths) -> Codes:
    return np.where(known, np.where(holds, run + 1, 0), run).astype(np.int32)


def _with_hole(depth: Depth, hole: Codes, width_ms: int) -> Depth:
    limit = windows_in(HOLE_S, width_ms)
    lost = hole >= limit
    return Depth(
        np.where(lost, 0, depth.full).astype(np.int32),
        np.where(lost, 0, depth.deep).astype(np.int32),
        np.minimum(hole, limit).astype(np.int32),
    )


def _discards(teams: TeamWindows) -> Singles:
    if teams.discards.size:
        return teams.discards
    return np.full(teams.evaluable.shape, np.nan, dtype=np.float32)


def _level(depth: Depth, discards: Singles, width_ms: int, alone: Truths | None) -> Bytes:
    full = depth.full >= windows_in(FULL_FOR_S, width_ms)
    deep = depth.deep >= windows_in(DEEP_FOR_S, width_ms)
    shared = True if alone is None else ~alone
    major = full & (discards >= HARM * (1 - SINGLE)) & shared
    minor = deep | (discards >= TRACE * (1 - SINGLE))
    return np.where(major, MAJOR, np.where(minor, MINOR, WARNING)).astype(np.uint8)
