"""The rules of all teams of a run as arrays, in windows where the rule says minutes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from service.errors import WrongSetting
from service.terms import Codes, Floats, Rule, TeamName, Truths

# Utilisations are quotients of whole numbers, off by some 1e-15; one octet more at 1.6 Tbit/s over
# 30 s is 1.7e-13. Between the two, a line is crossed by traffic and never by rounding.
SLACK = 1e-14

LOAD_AWARE_WAIT = 2  # windows; placement by load looks every 30 s and may cure it (common practice, no source)
FRESH_WINDOWS = 6  # the flagged windows that raise lie within this many: the oldest ended less than 3 min ago
BLIND_S = 600  # so long without an evaluable window, and an open finding is unverified
HOLD_S = 3600  # what comes and goes is held open until so much calm; also the time in which raises are counted
BUNDLED = ("static", "lacp")
MOST_OF = 58  # with the waits, what is looked back at fits the 64 windows that are remembered


class RuleTable(NamedTuple):
    """Rules by team, arrays of shape (n_teams,); lines as shares of 1, the rest counts of windows.

    `within` is how many windows back, this one included, the oldest flagged window that helps
    to raise may lie. `blind` and `hold` are the same for all teams. `bundled` is where the far end
    is known to be a bundle, which has ways of its own to leave a member out.
    """

    hot: Floats
    idle: Floats
    clear: Floats
    raise_windows: Codes
    raise_of: Codes
    within: Codes
    clear_windows: Codes
    blind: int
    hold: int
    bundled: Truths


def rule_table(rules: Sequence[Rule], teams: Sequence[TeamName], width_ms: int) -> RuleTable:
    """The table of one rule a team, for windows of `width_ms`.

    Raises
    ------
    WrongSetting
        Where a rule can never raise: more windows wanted than looked at, or more looked at
        than are remembered.
    """
    distinct, of_team = _distinct(rules)
    for rule in distinct:
        _check(rule)
    wait = np.array([LOAD_AWARE_WAIT if team.method == "load-aware" else 0 for team in teams], dtype=np.int32)
    raise_of = _whole([rule.raise_of for rule in distinct])[of_team]
    return RuleTable(
        hot=_shares([rule.hot_above for rule in distinct])[of_team],
        idle=_shares([rule.idle_below for rule in distinct])[of_team],
        clear=_shares([rule.clear_below for rule in distinct])[of_team],
        raise_windows=_whole([rule.raise_windows for rule in distinct])[of_team] + wait,
        raise_of=raise_of + wait,
        within=np.maximum(raise_of + 2, FRESH_WINDOWS).astype(np.int32) + wait,
        clear_windows=_whole([rule.clear_windows for rule in distinct])[of_team],
        blind=windows_in(BLIND_S, width_ms),
        hold=windows_in(HOLD_S, width_ms),
        bundled=np.array([team.bundle in BUNDLED for team in teams], dtype=np.bool_),
    )


def windows_in(seconds: int, width_ms: int) -> int:
    """How many whole windows cover so many seconds, at least one."""
    return max(1, -(-seconds * 1000 // width_ms))


def memory_windows(table: RuleTable) -> int:
    """How many windows back a state can depend on: what must be replayed to find it again.

    A hole of `blind` windows starts every count afresh, so a run of calm windows reaches back
    at most `clear_windows` times that; what is held open, as long as it is held and one hole.
    """
    calm = int(table.clear_windows.max(initial=1)) * table.blind
    return max(calm, table.hold + table.blind) + 64


def _distinct(rules: Sequence[Rule]) -> tuple[list[Rule], Codes]:
    """The different rules and which of them each team has; by identity, as thousands share a few."""
    place: dict[int, int] = {}
    distinct: list[Rule] = []
    of_team = np.zeros(len(rules), dtype=np.int32)
    for team, rule in enumerate(rules):
        at = place.get(id(rule))
        if at is None:
            at = place[id(rule)] = len(distinct)
            distinct.append(rule)
        of_team[team] = at
    return distinct, of_team


def _check(rule: Rule) -> None:
    if not 1 <= rule.raise_windows <= rule.raise_of:
        raise WrongSetting(
            "raise_windows",
            f"{rule.raise_windows} of {rule.raise_of} windows can never be had",
            "raise_windows lies between 1 and raise_of",
        )
    if rule.raise_of > MOST_OF:
        raise WrongSetting("raise_of", f"{rule.raise_of} windows are too many", f"at most {MOST_OF} are looked at")


def _shares(values: list[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _whole(values: list[int]) -> Codes:
    return np.array(values, dtype=np.int32)
