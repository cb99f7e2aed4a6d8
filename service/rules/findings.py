"""From steps and windows to findings, kept up to date for as long as they are open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.rules import evidence, reading, unfit_signs, words
from service.rules.life import Step
from service.rules.reading import Place, Scene
from service.rules.state import RECURRENCES, LifeState
from service.terms import (
    BASIS_WORDS,
    DIRECTIONS,
    EGRESS,
    FAMILY_WORDS,
    KIND_WORDS,
    SEVERITY_ORDER,
    UNKNOWN,
    Finding,
    Layout,
    Span,
    Truths,
    finding_id,
)

__all__ = ["Scene", "Told", "follow"]


@dataclass(frozen=True)
class Told:
    """Something that became so of a finding, as its history keeps it."""

    finding_id: str
    what: str
    at_ms: int
    text: str


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
        peak=round(step.peak, reading.ROUNDED),
        peak_port=scene.layout.ports[ports[step.peak_at]].port,
        peak_ms=step.peak_ms,
        even_split=0.0,
        imbalance=0.0,
        usable_bps=UNKNOWN,
        stranded_bps=UNKNOWN,
        room_bps=UNKNOWN,
        discard_ratio=reading.ratio(step.discards) if direction == EGRESS else None,
        basis=BASIS_WORDS[reading.basis_at(scene, place, window)],
        windows_seen=step.seen,
        windows_evaluable=step.evaluable,
        recurrences=step.recurrences,
        rule_note=evidence.rule_note(scene.rules[team]),
        updated_ms=step.at_ms,
        windows_flagged=step.flagged,
        hot_until_ms=step.at_ms,
    )
    finding = reading.with_figures(scene, place, finding, np.array([window]))
    return _stated(scene, _about_unfit(scene, finding, window), place)


def _about_unfit(scene: Scene, finding: Finding, window: int) -> Finding:
    """A finding about members that must not be used has their peak, not that of the team's busiest."""
    if finding.kind not in unfit_signs.UNFIT_WORDS:
        return finding
    busiest = max(finding.hot, key=lambda member: member.utilisation or 0.0)
    peak_ms = scene.teams.span.first_ms + window * scene.teams.span.width_ms
    return replace(
        finding, peak=round(busiest.utilisation or 0.0, reading.ROUNDED), peak_port=busiest.port, peak_ms=peak_ms
    )


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
    known = reading.known(scene, part, finding)
    flagged = known & reading.carries(scene.teams, part, family)
    end_ms = span.first_ms + end * span.width_ms
    finding = reading.with_peak(scene, place, finding, start + np.flatnonzero(known))
    finding = replace(
        finding,
        windows_seen=(end_ms - finding.since_ms) // span.width_ms,
        windows_evaluable=finding.windows_evaluable + int(known.sum()),
        windows_flagged=finding.windows_flagged + int(flagged.sum()),
        updated_ms=end_ms,
        hot_until_ms=_hot_until(span, start, flagged) or finding.hot_until_ms,
    )
    return reading.with_figures(scene, place, finding, start + np.flatnonzero(flagged))


def _hot_until(span: Span, start: int, flagged: Truths) -> int | None:
    """When the last flagged window ends, None where none is; `flagged` begins at window `start` of the span."""
    at = np.flatnonzero(flagged)
    return span.first_ms + (start + int(at[-1]) + 1) * span.width_ms if len(at) else None


def _stated(scene: Scene, finding: Finding, place: Place) -> Finding:
    team = place[0]
    return replace(finding, evidence=evidence.of(finding, scene.layout.teams[team], scene.rules[team]))


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
    if before is not None and before.unverified:
        return "ended: for an hour the source has counted on another basis, on which it is judged anew"
    return _said_cleared(step, finding)


def _said_cleared(step: Step, finding: Finding) -> str:
    lasted = words.minutes((finding.hot_until_ms or step.at_ms) - finding.since_ms)
    if finding.kind in unfit_signs.UNFIT_WORDS:
        return f"cleared, {finding.kind} for {lasted}: {words.listed(member.port for member in finding.hot)}"
    return f"cleared, hot for {lasted}, at most {words.percent(finding.peak)} on {finding.peak_port}"
