"""From steps and windows to findings, kept up to date for as long as they are open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.rules import evidence, words
from service.rules.life import Step
from service.rules.state import ON_WIRE_BASES, RECURRENCES, LifeState, on_wire
from service.terms import (
    BASIS_WORDS,
    DIRECTIONS,
    EGRESS,
    FAMILY_OF,
    FAMILY_WORDS,
    KIND_WORDS,
    SEVERITY_ORDER,
    UNKNOWN,
    WHY_NOT_WORDS,
    Basis,
    Family,
    Finding,
    Ints,
    Kind,
    Layout,
    Mark,
    MemberFigure,
    MemberWindows,
    Rule,
    TeamWindows,
    Truths,
    WhyNot,
    finding_id,
)

Place = tuple[int, int, int]  # team, direction, family

ROUNDED = 6  # decimals of a peak: what single precision, in which the last windows are remembered, carries


@dataclass(frozen=True)
class Told:
    """Something that became so of a finding, as its history keeps it."""

    finding_id: str
    what: str
    at_ms: int
    text: str


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


def follow(
    scene: Scene, known: Mapping[str, Finding], steps: Sequence[Step], life: LifeState
) -> tuple[tuple[Finding, ...], tuple[Told, ...]]:
    """All findings that were open in the span, in their state at its end, and what became so, in order.

    `known` are the findings open before the span, by id; `life` is the state after it.
    """
    at_place: dict[Place, list[Step]] = {}
    for step in steps:
        at_place.setdefault((step.team, step.direction, step.family), []).append(step)
    opened = _places(scene.layout, known)
    findings: list[Finding] = []
    told: list[Told] = []
    for place in sorted(at_place.keys() | opened.keys()):
        some, said = _at_place(scene, place, opened.get(place), at_place.get(place, []))
        if some and some[-1].cleared_ms is None:
            some[-1] = _stated(
                scene, replace(some[-1], recurrences=int(life.memory.life[(*place, RECURRENCES)])), place
            )
        findings += some
        told += said
    return tuple(findings), tuple(sorted(told, key=lambda one: one.at_ms))


def _places(layout: Layout, known: Mapping[str, Finding]) -> dict[Place, Finding]:
    if not known:
        return {}
    devices = layout.device_of_team.tolist()
    teams = {(layout.devices[d], team.team): i for i, (d, team) in enumerate(zip(devices, layout.teams, strict=True))}
    return {
        (teams[f.device, f.team], DIRECTIONS.index(f.direction), FAMILY_WORDS.index(f.family)): f
        for f in known.values()
        if f.cleared_ms is None and (f.device, f.team) in teams
    }


def _at_place(
    scene: Scene, place: Place, finding: Finding | None, steps: Sequence[Step]
) -> tuple[list[Finding], list[Told]]:
    done: list[Finding] = []
    told: list[Told] = []
    seen = 0
    for step in steps:
        window = scene.window_ending(step.at_ms)
        before = finding
        if step.what in ("raised", "recurrent"):
            finding = _raised(scene, place, step)
        elif finding is None:
            raise ValueError(f"{step.what} at {step.at_ms} of a finding that was not handed in: {place}")
        else:
            finding = _stated(scene, _changed(_seen(scene, place, finding, seen, window + 1), step), place)
        seen = max(window + 1, 0)
        told.append(Told(finding.id, step.what, step.at_ms, _said(step, before, finding)))
        if step.what == "cleared":
            done.append(finding)
            finding = None
    if finding is not None:
        done.append(_stated(scene, _seen(scene, place, finding, seen, scene.teams.span.count), place))
    return done, told


def _raised(scene: Scene, place: Place, step: Step) -> Finding:
    """The finding as it stands at the window that raised it."""
    team, direction, family = place
    window = scene.window_ending(step.at_ms)
    device = scene.layout.devices[scene.layout.device_of_team[team]]
    name = scene.layout.teams[team].team
    words_of_place = (device, name, DIRECTIONS[direction], FAMILY_WORDS[family])
    ports = scene.layout.members[team]
    finding = Finding(
        finding_id(*words_of_place, step.at_ms),
        *words_of_place,
        kind=KIND_WORDS[step.kind],
        severity=SEVERITY_ORDER[step.level],
        since_ms=step.since_ms,
        raised_ms=step.at_ms,
        cleared_ms=None,
        hot=(),
        idle=(),
        members=(),
        peak=round(step.peak, ROUNDED),
        peak_port=scene.layout.ports[ports[step.peak_at]].port,
        peak_ms=step.peak_ms,
        even_split=0.0,
        imbalance=0.0,
        usable_bps=UNKNOWN,
        stranded_bps=UNKNOWN,
        room_bps=UNKNOWN,
        discard_ratio=_ratio(step.discards) if direction == EGRESS else None,
        basis=BASIS_WORDS[_basis(scene, place, window)],
        windows_seen=step.seen,
        windows_evaluable=step.evaluable,
        recurrences=step.recurrences,
        rule_note=evidence.rule_note(scene.rules[team]),
        updated_ms=step.at_ms,
        windows_flagged=step.flagged,
    )
    return _stated(scene, _with_figures(scene, place, finding, window), place)


def _changed(finding: Finding, step: Step) -> Finding:
    """The finding after a step other than its raise."""
    if step.what == "kind":
        return replace(finding, kind=KIND_WORDS[step.kind])
    if step.what == "severity":
        return replace(finding, severity=SEVERITY_ORDER[step.level])
    if step.what == "cleared":
        return replace(finding, cleared_ms=step.at_ms, unverified=False, recurrences=step.recurrences)
    return replace(finding, unverified=step.what == "unverified")


def _seen(scene: Scene, place: Place, finding: Finding, start: int, end: int) -> Finding:
    """The finding after the windows of positions `start` to `end`, exclusive."""
    if end <= start:
        return finding
    team, direction, family = place
    span = scene.teams.span
    part = (team, slice(start, end), direction)
    known = scene.teams.evaluable[part] & _same_basis(scene, part, finding)
    flagged = known & _carries(scene.teams, part, family)
    end_ms = span.first_ms + end * span.width_ms
    finding = _with_peak(scene, place, finding, start + np.flatnonzero(known))
    finding = replace(
        finding,
        windows_seen=(end_ms - finding.since_ms) // span.width_ms,
        windows_evaluable=finding.windows_evaluable + int(known.sum()),
        windows_flagged=finding.windows_flagged + int(flagged.sum()),
        updated_ms=end_ms,
    )
    at = start + np.flatnonzero(flagged)
    for window in at[:-1].tolist():
        finding = replace(finding, uncertain=finding.uncertain or _uncertain(scene, place, window))
    return _with_figures(scene, place, finding, int(at[-1])) if len(at) else finding


def _with_peak(scene: Scene, place: Place, finding: Finding, windows: Ints) -> Finding:
    """The finding with the highest utilisation and the worst discards of evaluable windows; of equals, the oldest."""
    if len(windows) == 0:
        return finding
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


def _with_figures(scene: Scene, place: Place, finding: Finding, window: int) -> Finding:
    """The finding with what its members showed in a flagged window."""
    team, direction, _ = place
    at = (team, window, direction)
    members = tuple(_figure(scene, port, window, direction) for port in scene.ports(team))
    hot, idle = int(scene.teams.hot[at]), int(scene.teams.idle[at])
    return replace(
        finding,
        members=members,
        hot=tuple(member for i, member in enumerate(members) if hot >> i & 1),
        idle=tuple(member for i, member in enumerate(members) if idle >> i & 1),
        even_split=float(scene.teams.even_split[at]),
        imbalance=float(scene.teams.imbalance[at]),
        usable_bps=_whole(scene.teams.usable_bps[at]),
        stranded_bps=_whole(scene.teams.stranded_bps[at]),
        room_bps=_whole(scene.teams.room_bps[at]),
        uncertain=finding.uncertain or _uncertain(scene, place, window),
    )


def _stated(scene: Scene, finding: Finding, place: Place) -> Finding:
    team = place[0]
    return replace(finding, evidence=evidence.of(finding, scene.layout.teams[team], scene.rules[team]))


def _figure(scene: Scene, port: int, window: int, direction: int) -> MemberFigure:
    value = float(scene.members.utilisation[port, window, direction])
    why = int(scene.members.why_not[port, window, direction])
    return MemberFigure(
        scene.layout.ports[port].port,
        None if np.isnan(value) else value,
        int(scene.members.speed_bps[port, window]),
        WHY_NOT_WORDS[WhyNot.NO_DATA if why == WhyNot.ELIGIBLE and np.isnan(value) else why],
    )


def _carries(teams: TeamWindows, part: tuple[int, slice, int], family: int) -> Truths:
    if family == Family.BUILD:
        return teams.degraded[part]
    kinds = [kind for kind, of in FAMILY_OF.items() if of == family and kind != Kind.OSCILLATING]
    return np.isin(teams.kind[part], kinds)


def _same_basis(scene: Scene, part: tuple[int, slice, int], finding: Finding) -> Truths:
    if not scene.teams.basis.size:
        return scene.teams.evaluable[part]
    wanted = BASIS_WORDS.index(finding.basis) in ON_WIRE_BASES
    return np.asarray(on_wire(scene.teams.basis[part]) == wanted)


def _basis(scene: Scene, place: Place, window: int) -> int:
    return int(scene.teams.basis[place[0], window, place[1]]) if scene.teams.basis.size else Basis.NONE


def _uncertain(scene: Scene, place: Place, window: int) -> bool:
    team, direction, _ = place
    mark = Mark.UNCERTAIN_EGRESS if direction == EGRESS else Mark.UNCERTAIN_INGRESS
    hot = int(scene.teams.hot[team, window, direction])
    ports = scene.ports(team)
    return any(hot >> i & 1 and int(scene.members.marks[port, window]) & mark for i, port in enumerate(ports))


def _ratio(value: float) -> float | None:
    return None if np.isnan(value) else float(f"{value:.6g}")


def _worse(so_far: float | None, values: object) -> float | None:
    known = [_ratio(float(value)) for value in np.asarray(values).ravel() if not np.isnan(value)]
    every = [value for value in (so_far, *known) if value is not None]
    return max(every) if every else None


def _whole(value: float) -> int:
    return UNKNOWN if np.isnan(value) else round(float(value))


def _said(step: Step, before: Finding | None, finding: Finding) -> str:
    if step.what == "raised":
        return f"raised as {finding.kind}, {finding.severity}: {evidence.figures(finding)}"
    if step.what == "recurrent":
        return f"comes and goes, {finding.recurrences} times within 60 min: {evidence.figures(finding)}"
    if step.what == "kind":
        return f"{before.kind if before else ''}, now {finding.kind}: {evidence.figures(finding)}"
    if step.what == "severity":
        return f"{before.severity if before else ''}, now {finding.severity}: {evidence.figures(finding)}"
    if step.what == "unverified":
        return "open, but no evaluable window for 10 min"
    if step.what == "verified":
        return f"evaluable again: {evidence.figures(finding)}"
    lasted = words.minutes(step.at_ms - finding.since_ms)
    return f"cleared after {lasted}, at most {words.percent(finding.peak)} on {finding.peak_port}"
