"""What kind of trouble a window shows, team by team and direction by direction, with the measures it rests on.

When a member is unknown. It is not idle and not calm, it is unknown, and it may yet turn out to
be either. A window of a team with an unknown member is evaluable only if the family of its kind
is the same whatever that member carries, and that is so in one case: a known member is hot and
a known sibling is idle. Then "uneven" stands, of those two, and the even split is that of the
known members. In every other case the unknown one could make the difference: hot with no known
sibling idle may be full, skewed, uneven or without a sibling; nothing known to be hot may hide
one that is. So what is missing can neither raise nor clear. Members that are known to take no
load (standby, out, down, broken, in maintenance, or that went up or down within the window) are
left out and block nothing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from service.rules.judging import Judged, Members, judge
from service.rules.table import RuleTable
from service.terms import UNKNOWN, Codes, Layout, MemberWindows, TeamWindows


def team_windows(members: MemberWindows, layout: Layout, rules: RuleTable) -> TeamWindows:
    """Kinds and measures of all teams in all windows.

    Parameters
    ----------
    members : MemberWindows
        Ports by position in `layout.ports`.
    rules : RuleTable
        One row a team of `layout`.

    Returns
    -------
    TeamWindows
        Measures are those of the members that count. `discards` are the worst of the hot
        members' at the sending end; in ingress that is the far end, so nobody here knows them.

    Source
    ------
    Measures: RFC 7424 section 5.1. The kinds and their lines are this project's.
    """
    out = _room_for(len(layout.teams), members.span.count)
    read = Members(
        utilisation=_plain(members.utilisation, np.float64),
        why_not=_plain(members.why_not, np.uint8),
        basis=_plain(members.basis, np.uint8),
        discards=_plain(_discards(members), np.float32),
        speed_bps=_plain(members.speed_bps, np.int64),
        marks=_plain(members.marks, np.uint16),
    )
    judge(read, seats_of(layout), rules, out)
    return TeamWindows(span=members.span, **out._asdict())


def seats_of(layout: Layout) -> Codes:
    """The teams' ports, without the places that no team uses."""
    used = int((layout.members != UNKNOWN).sum(axis=1).max(initial=1))
    return np.ascontiguousarray(layout.members[:, :used], dtype=np.int32)


def _discards(members: MemberWindows) -> npt.NDArray[Any]:
    if members.discard_ratio.shape == members.utilisation.shape:
        return members.discard_ratio
    return np.full(members.utilisation.shape, np.nan, dtype=np.float32)


def _room_for(n_teams: int, n_windows: int) -> Judged:
    """Unwritten arrays for all that is found of teams."""

    def of(kind: type) -> Any:
        return np.empty((n_teams, n_windows, 2), dtype=kind)

    bytes_ = {name: of(np.uint8) for name in ("hot", "idle", "kind", "basis")}
    truths = {name: of(np.bool_) for name in ("evaluable", "degraded", "calm", "calm_full", "calm_degraded")}
    special = {"busiest": of(np.int8), "discards": of(np.float32)}
    rest = {name: of(np.float64) for name in Judged._fields if name not in {*bytes_, *truths, *special}}
    return Judged(**bytes_, **truths, **special, **rest)


def _plain(column: npt.NDArray[Any], kind: type) -> npt.NDArray[Any]:
    # Read-only or strided columns would each be a loop of their own to compile, for seconds.
    return np.require(column, dtype=kind, requirements=["C", "W"])
