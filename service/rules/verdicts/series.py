"""Windows of one side of a comparison: what is taken of teams' windows, and which of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from service.numerics.comparing_loop import Windows
from service.rules.kinds import team_windows
from service.rules.table import rule_table
from service.terms import (
    DIRECTIONS,
    EGRESS,
    FAMILY_OF,
    MOST_MEMBERS,
    UNKNOWN,
    Bytes,
    Family,
    Floats,
    Ints,
    Layout,
    MemberWindows,
    PortName,
    Rule,
    Singles,
    Stretches,
    TeamName,
    TeamWindows,
    Truths,
    WhyNot,
)

UNEVEN_KINDS = [kind for kind, family in FAMILY_OF.items() if family is Family.DISTRIBUTION]
LOST = [WhyNot.DOWN, WhyNot.OUT, WhyNot.BROKEN]


@dataclass(frozen=True)
class Series:
    """Teams over the windows of one side, in one direction; arrays (n_teams, n_windows), `starts` (n_windows,).

    `ports` are each team's members by position. `eligible` is a bit set of positions, `lost` one of members that
    are known to be down, out or broken, `position` that of the busiest member. `flagged` says that the window was
    uneven in kind. `dropped` and `sent` are frames a second at the sending end, NaN where nobody counts them.
    """

    ports: tuple[tuple[str, ...], ...]
    starts: Ints
    width_ms: int
    even_split: Floats
    busiest: Floats
    share: Floats
    total_bps: Floats
    position: npt.NDArray[np.int8]
    eligible: Bytes
    lost: Bytes
    flagged: Truths
    dropped: Singles
    sent: Singles

    @property
    def excess(self) -> Floats:
        """How far the busiest member is above the even split."""
        return self.busiest - self.even_split

    def breaks(self) -> Truths:
        """Where a window does not follow the one before it, (n_windows,)."""
        return np.concatenate([[True], np.diff(self.starts) != self.width_ms])[: len(self.starts)]

    def windows(self) -> Windows:
        """The arrays as the loop reads them."""
        told: dict[str, Any] = {name: np.ascontiguousarray(getattr(self, name)) for name in Windows._fields[:-1]}
        return Windows(**told, breaks=self.breaks())


def series_of(  # noqa: PLR0913, PLR0917  # what is known of a team lies in as many places
    members: MemberWindows,
    rows: Sequence[int],
    names: Sequence[str],
    rule: Rule,
    direction: str,
    stretches: Stretches,
) -> Series:
    """One team's side of a comparison from the windows of its members.

    Parameters
    ----------
    members : MemberWindows
        As kept or measured, of any ports.
    rows, names : of the team's members by position
        Their rows in `members`, and how they are called; at most eight.
    direction : "egress" or "ingress"
    stretches : Stretches
        Which windows are taken: those that lie wholly in one of its spans, as far as `members` reaches.

    Returns
    -------
    Series
        Of one team.
    """
    layout = _one_team(list(rows)[:MOST_MEMBERS], list(names)[:MOST_MEMBERS], len(members.marks))
    taken = _of_slots(members, chosen(members.span.starts(), members.span.width_ms, stretches))
    teams = team_windows(taken.members, layout, rule_table((rule,), layout.teams, members.span.width_ms))
    return _series(teams, taken, layout, direction)


def series_of_teams(
    teams: TeamWindows, members: MemberWindows, layout: Layout, direction: str, stretches: Stretches
) -> Series:
    """Many teams' side of a comparison from windows that are judged already; teams in the order of the layout."""
    slots = chosen(members.span.starts(), members.span.width_ms, stretches)
    arrays = {name: getattr(teams, name)[:, slots] for name in _OF_TEAMS}
    return _series(replace(teams, **arrays), _of_slots(members, slots), layout, direction)


_OF_TEAMS = ("even_split", "utilisation", "busiest_share", "total_bps", "busiest", "kind")


def chosen(starts: Ints, width_ms: int, stretches: Stretches) -> npt.NDArray[np.int64]:
    """Positions of the windows that lie wholly in a span, each once, in order of time."""
    inside = np.zeros(len(starts), dtype=np.bool_)
    for start_ms, end_ms in stretches.spans:
        inside |= (starts >= start_ms) & (starts + width_ms <= end_ms)
    return np.flatnonzero(inside)


@dataclass(frozen=True)
class _Taken:
    """Members in the windows that were chosen, and when those start; the span of `members` only counts them."""

    members: MemberWindows
    starts: Ints


def _of_slots(members: MemberWindows, slots: npt.NDArray[np.int64]) -> _Taken:
    arrays: dict[str, Any] = {
        name: figures[:, slots] if figures.ndim > 1 and figures.shape[1] == members.span.count else figures
        for name, figures in vars(members).items()
        if name != "span"
    }
    span = replace(members.span, count=len(slots))
    return _Taken(replace(members, span=span, **arrays), members.span.starts()[slots])


def _series(teams: TeamWindows, taken: _Taken, layout: Layout, direction: str) -> Series:
    way = DIRECTIONS.index(direction)
    dropped, sent = _frames(taken.members, layout, way)
    return Series(
        ports=tuple(tuple(layout.ports[port].port for port in row if port != UNKNOWN) for row in layout.members),
        starts=taken.starts,
        width_ms=taken.members.span.width_ms,
        even_split=teams.even_split[:, :, way],
        busiest=teams.utilisation[:, :, way],
        share=teams.busiest_share[:, :, way],
        total_bps=teams.total_bps[:, :, way],
        position=teams.busiest[:, :, way],
        eligible=_members(_known(taken.members, way), layout),
        lost=_members(np.isin(taken.members.why_not[:, :, way], LOST), layout),
        flagged=np.isin(teams.kind[:, :, way], UNEVEN_KINDS),
        dropped=dropped,
        sent=sent,
    )


def _known(members: MemberWindows, way: int) -> Truths:
    known: Truths = ~np.isnan(members.utilisation[:, :, way])
    known &= members.why_not[:, :, way] == WhyNot.ELIGIBLE
    return known


def _members(of_ports: Truths, layout: Layout) -> Bytes:
    """What holds of ports, (n_ports, n_windows), as bit sets of teams' members, (n_teams, n_windows)."""
    bits = np.zeros((len(layout.members), of_ports.shape[1]), dtype=np.uint8)
    for place, (there, ports) in enumerate(_places(layout)):
        bits[there] |= of_ports[ports].astype(np.uint8) << np.uint8(place)
    return bits


def _frames(members: MemberWindows, layout: Layout, way: int) -> tuple[Singles, Singles]:
    """Frames a second that each team's members dropped, and that they dropped or sent, (n_teams, n_windows).

    Of ingress nobody here knows: what is lost on the way to a device is lost at the far end.
    """
    shape = (len(layout.members), members.span.count)
    dropped, sent = np.full(shape, np.nan, np.float32), np.full(shape, np.nan, np.float32)
    if way != EGRESS or members.discard_ratio.shape != members.utilisation.shape:
        return dropped, sent
    for there, ports in _places(layout):
        ratio, packets = members.discard_ratio[ports, :, way], members.packets[ports, :, way]
        with np.errstate(divide="ignore", invalid="ignore"):
            offered = packets / (1 - ratio)
        known = np.isfinite(offered)
        sent[there] = _added(sent[there], offered, known)
        dropped[there] = _added(dropped[there], offered * ratio, known)
    return dropped, sent


def _added(sums: Singles, figures: Singles, known: Truths) -> Singles:
    return np.where(known, np.nan_to_num(sums) + np.where(known, figures, 0), sums).astype(np.float32)


def _places(layout: Layout) -> list[tuple[Truths, npt.NDArray[np.int32]]]:
    """Place by place: which teams have a member there, and its port."""
    columns = [layout.members[:, place] for place in range(min(layout.members.shape[1], MOST_MEMBERS))]
    return [(column != UNKNOWN, column[column != UNKNOWN]) for column in columns]


def _one_team(rows: list[int], names: list[str], n_ports: int) -> Layout:
    called = dict(zip(rows, names, strict=True))
    seats = np.full((1, MOST_MEMBERS), UNKNOWN, dtype=np.int32)
    seats[0, : len(rows)] = rows
    return Layout(
        devices=("",),
        ports=tuple(PortName("", called.get(port, ""), "") for port in range(n_ports)),
        teams=(TeamName("", ""),),
        device_of_port=np.zeros(n_ports, dtype=np.int32),
        device_of_team=np.zeros(1, dtype=np.int32),
        members=seats,
    )
