"""What a finding reads from the windows of its team."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from service.rules import unfit_signs
from service.rules.state import ON_WIRE_BASES, on_wire
from service.terms import (
    BASIS_WORDS,
    EGRESS,
    FAMILY_OF,
    MOST_MEMBERS,
    UNKNOWN,
    WHY_NOT_WORDS,
    Basis,
    Evidence,
    Family,
    Finding,
    Kind,
    Layout,
    Mark,
    MemberFigure,
    MemberWindows,
    Rule,
    Singles,
    TeamWindows,
    Truths,
    WhyNot,
)

Place = tuple[int, int, int]  # team, direction, family
Part = tuple[int, slice, int]  # team, windows, direction
Rows = npt.NDArray[np.intp]

ROUNDED = 6  # decimals of a peak: what single precision, in which the last windows are remembered, carries


@dataclass(frozen=True)
class Scene:
    """What a finding is read from: who belongs together, under which rules, and what the windows showed."""

    layout: Layout
    rules: Sequence[Rule]
    members: MemberWindows
    teams: TeamWindows

    def window_ending(self, at_ms: int) -> int:
        """The position in the span of the window that ends at an instant; below 0 if before the span."""
        return (at_ms - self.teams.span.first_ms) // self.teams.span.width_ms - 1

    def ports(self, team: int) -> list[int]:
        """The team's members as positions in the layout's ports."""
        return [port for port in self.layout.members[team].tolist() if port != UNKNOWN]


def with_peak(scene: Scene, place: Place, finding: Finding, windows: Rows) -> Finding:
    """The finding with the highest utilisation and the worst discards of evaluable windows; of equals, the oldest."""
    if len(windows) == 0:
        return finding
    if finding.kind in unfit_signs.UNFIT_WORDS:
        return _with_peak_of_unfit(scene, place, finding, windows)
    team, direction, _ = place
    values = np.round(scene.teams.utilisation[team, windows, direction].astype(np.float32), ROUNDED).astype(float)
    best = int(np.argmax(values))
    peak = round(float(values[best]), ROUNDED)
    if peak > finding.peak:
        window = int(windows[best])
        member = int(scene.teams.busiest[team, window, direction])
        finding = replace(
            finding,
            peak=peak,
            peak_port=scene.layout.ports[scene.layout.members[team, member]].port,
            peak_ms=scene.teams.span.first_ms + window * scene.teams.span.width_ms,
        )
    return replace(finding, discard_ratio=_worse(finding.discard_ratio, scene.teams.discards[team, windows, direction]))


def _with_peak_of_unfit(scene: Scene, place: Place, finding: Finding, windows: Rows) -> Finding:
    """The finding with the highest utilisation of its unfit members in the windows in which they show it."""
    for window in windows.tolist():
        for member in unfit_members(scene, place, window):
            figure = _figure(scene, scene.ports(place[0])[member], window, place[1])
            peak = round(figure.utilisation or 0.0, ROUNDED)
            if peak > finding.peak:
                peak_ms = scene.teams.span.first_ms + window * scene.teams.span.width_ms
                finding = replace(finding, peak=peak, peak_port=figure.port, peak_ms=peak_ms)
    return finding


def unfit_members(scene: Scene, place: Place, window: int) -> list[int]:
    """The positions of members that show in a window that they must not be used; none but in the build family."""
    team, direction, family = place
    if family != Family.BUILD or not scene.teams.unfit.size:
        return []
    bits = int(scene.teams.unfit[team, window, direction])
    return [position for position in range(MOST_MEMBERS) if bits >> position & 1]


def with_figures(scene: Scene, place: Place, finding: Finding, windows: Rows) -> Finding:
    """The finding with what its members showed in the last of some flagged windows."""
    if len(windows) == 0:
        return finding
    team, direction, _ = place
    window = int(windows[-1])
    at = (team, window, direction)
    members = tuple(_figure(scene, port, window, direction) for port in scene.ports(team))
    hot, idle = int(scene.teams.hot[at]), int(scene.teams.idle[at])
    unfit = unfit_members(scene, place, window)
    if unfit:
        hot, idle = int(scene.teams.unfit[at]), 0
        ports = scene.ports(team)
        shown = unfit_signs.Members(scene.members, ports, [member.port for member in members], window)
        signs = unfit_signs.of(shown, Kind(int(scene.teams.unfit_kind[at])), unfit)
        finding = replace(finding, evidence=Evidence(signs))
    return replace(
        finding,
        members=members,
        hot=tuple(member for i, member in enumerate(members) if hot >> i & 1),
        idle=tuple(member for i, member in enumerate(members) if idle >> i & 1),
        even_split=float(np.nan_to_num(scene.teams.even_split[at])),
        imbalance=float(np.nan_to_num(scene.teams.imbalance[at])),
        usable_bps=_whole(scene.teams.usable_bps[at]),
        stranded_bps=_whole(scene.teams.stranded_bps[at]),
        room_bps=_whole(scene.teams.room_bps[at]),
        uncertain=finding.uncertain or _any_uncertain(scene, place, windows),
    )


def _figure(scene: Scene, port: int, window: int, direction: int) -> MemberFigure:
    value = float(scene.members.utilisation[port, window, direction])
    why = int(scene.members.why_not[port, window, direction])
    return MemberFigure(
        scene.layout.ports[port].port,
        None if np.isnan(value) else value,
        int(scene.members.speed_bps[port, window]),
        WHY_NOT_WORDS[WhyNot.NO_DATA if why == WhyNot.ELIGIBLE and np.isnan(value) else why],
    )


def carries(teams: TeamWindows, part: Part, family: int) -> Truths:
    """Which windows of a part carry a kind of the family."""
    if family == Family.BUILD:
        return teams.degraded[part] | (teams.unfit_kind[part] > 0) if teams.unfit_kind.size else teams.degraded[part]
    kinds = [kind for kind, of in FAMILY_OF.items() if of == family and kind != Kind.OSCILLATING]
    return np.isin(teams.kind[part], kinds)


def known(scene: Scene, part: Part, finding: Finding) -> Truths:
    """Which windows of a part say anything of a finding; what packets show rests on no utilisation."""
    teams = scene.teams
    if finding.kind in unfit_signs.UNFIT_WORDS and teams.unfit_kind.size:
        plain = teams.evaluable[part] & ~teams.unfit_blind[part]
        return plain | (teams.unfit_kind[part] > 0) | teams.recovering[part]
    return teams.evaluable[part] & same_basis(scene, part, finding)


def same_basis(scene: Scene, part: Part, finding: Finding) -> Truths:
    """Which windows of a part rest on the basis of the finding."""
    if not scene.teams.basis.size:
        return scene.teams.evaluable[part]
    wanted = BASIS_WORDS.index(finding.basis) in ON_WIRE_BASES
    return np.asarray(on_wire(scene.teams.basis[part]) == wanted)


def basis_at(scene: Scene, place: Place, window: int) -> int:
    """What the busiest member's figure rests on."""
    return int(scene.teams.basis[place[0], window, place[1]]) if scene.teams.basis.size else Basis.NONE


def _any_uncertain(scene: Scene, place: Place, windows: Rows) -> bool:
    """Whether a hot member's figure was uncertain in any of the windows."""
    team, direction, _ = place
    mark = np.uint16(Mark.UNCERTAIN_EGRESS if direction == EGRESS else Mark.UNCERTAIN_INGRESS)
    hot = scene.teams.hot[team, windows, direction]
    marks = scene.members.marks[scene.ports(team)][:, windows]
    return any(bool(((hot >> i & 1 == 1) & (marks[i] & mark != 0)).any()) for i in range(len(marks)))


def ratio(value: float) -> float | None:
    """A discard ratio with the digits that single precision carries, None where nobody counts."""
    return None if np.isnan(value) else float(f"{value:.6g}")


def _worse(so_far: float | None, values: Singles) -> float | None:
    known = values[~np.isnan(values)]
    if len(known) == 0:
        return so_far
    worst = ratio(float(known.max()))
    return worst if so_far is None or worst is None else max(so_far, worst)


def _whole(value: float) -> int:
    return UNKNOWN if np.isnan(value) else round(float(value))
