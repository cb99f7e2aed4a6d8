"""Severities after explanation: one conversation alone on its member hurts only itself, and wakes nobody."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from service.rules import evidence
from service.rules.assess import Assessment
from service.rules.findings import Told
from service.rules.state import SEVERITY
from service.terms import DIRECTIONS, FAMILY_WORDS, SEVERITY_ORDER, Finding, Layout, Severity

SAID = "severity"
NONE_BEFORE: Mapping[str, Finding] = MappingProxyType({})


def with_findings(
    assessment: Assessment, found: Sequence[Finding], before: Mapping[str, Finding] = NONE_BEFORE
) -> Assessment:
    """The assessment with its findings explained, and its steps of severity in step with them.

    `found` are the findings of the assessment, explained; `before` those open before it, by id.
    """
    judged = {finding.id: finding.severity for finding in assessment.findings}
    other = {finding.id: finding for finding in found if finding.severity != judged[finding.id]}
    if not other:
        return replace(assessment, findings=tuple(found))
    steps = [_held(step, other) for step in assessment.steps if not (step.what == SAID and step.finding_id in other)]
    steps += [
        _changed(finding, before[name].severity)
        for name, finding in other.items()
        if name in before and before[name].severity != finding.severity
    ]
    return replace(assessment, findings=tuple(found), steps=tuple(sorted(steps, key=lambda step: step.at_ms)))


def _held(step: Told, other: Mapping[str, Finding]) -> Told:
    """A raise as it is told of a finding that is held lower than it was judged."""
    finding = other.get(step.finding_id)
    if finding is None:
        return step
    return replace(step, text=step.text.replace(f", {Severity.MAJOR}:", f", {finding.severity}:", 1))


def _changed(finding: Finding, was: Severity) -> Told:
    text = f"{was}, now {finding.severity}: {evidence.figures(finding)}"
    return Told(finding.id, SAID, finding.cleared_ms or finding.updated_ms, text)


def judged_level(assessment: Assessment, layout: Layout, finding: Finding) -> Severity:
    """How grave the windows make an open finding, whatever it was held at; its own severity where it is over."""
    if finding.cleared_ms is not None:
        return finding.severity
    at = next(i for i, team in enumerate(layout.teams) if (team.device, team.team) == (finding.device, finding.team))
    place = (at, DIRECTIONS.index(finding.direction), FAMILY_WORDS.index(finding.family))
    return SEVERITY_ORDER[int(assessment.life.memory.life[(*place, SEVERITY)])]
