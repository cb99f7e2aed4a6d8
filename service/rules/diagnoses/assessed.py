"""The findings of an assessment explained from its own windows: what a file can tell, with nothing kept to ask."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.rules.advice.advising import advised
from service.rules.assess import Assessment
from service.rules.diagnoses.capping import judged_level, with_findings
from service.rules.diagnoses.explaining import explained
from service.rules.situation import Situation, cut, stretch
from service.terms import UNKNOWN, Finding, Layout, Rule


def with_explanations(assessment: Assessment, layout: Layout, rules: Sequence[Rule]) -> Assessment:
    """The same assessment, each of its findings with why it is so, who decides and what would help."""
    teams = {(team.device, team.team): at for at, team in enumerate(layout.teams)}
    found = tuple(
        _explained(assessment, layout, rules[at], (finding, at))
        for finding in assessment.findings
        for at in (teams[finding.device, finding.team],)
    )
    return with_findings(assessment, found)


def _explained(assessment: Assessment, layout: Layout, rule: Rule, of: tuple[Finding, int]) -> Finding:
    finding, at = of
    finding = replace(finding, severity=judged_level(assessment, layout, finding))
    situation = situation_of(assessment, layout, rule, (finding, at))
    told = explained(situation)
    return replace(told, advice=advised(replace(situation, finding=told)).line)


def situation_of(assessment: Assessment, layout: Layout, rule: Rule, of: tuple[Finding, int]) -> Situation:
    """A finding and the position of its team in the layout, with what the assessment holds of it."""
    finding, at = of
    ports = [port for port in layout.members[at].tolist() if port != UNKNOWN]
    windows = cut(assessment.members, ports, *stretch(finding, assessment.members.span.width_ms))
    names = tuple(layout.ports[port].port for port in ports)
    return Situation(finding, layout.teams[at], rule, names, windows, now_ms=assessment.members.span.end_ms)
