"""What a piece of evaluation found, explained: why, who decides, whose it is, what would help."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from sqlalchemy import Connection

from service.evaluation import situations
from service.evaluation.piece import Course, Desk, Judged
from service.rules.advice.advising import advised
from service.rules.diagnoses.capping import judged_level, with_findings
from service.rules.diagnoses.explaining import carried, explained
from service.rules.situation import AFTER_MS, Situation
from service.terms import SEVERITY_ORDER, Finding

# So old, in ms since it began, an open finding is looked at again: each time there is markedly more to see of it.
AGES_MS = (180_000, 360_000, 720_000, 1_800_000, 3_600_000, AFTER_MS)
# At most so many of a piece and of a round, those never looked into first and of them the gravest; the others come
# with the next windows. At some 7 ms each no storm of findings holds up the windows to come.
AT_ONCE = 200
A_ROUND = 1000


def with_explanations(connection: Connection, judged: Judged, desk: Desk) -> Judged:
    """The piece with its findings explained: new and changed ones and those of an age anew, the others as before."""
    before = judged.known_before
    wanted = _wanted(judged, before, desk.explained)
    seen = situations.of(connection, [(_team_id(judged, one), one) for one in wanted], desk.policy, desk.now_ms)
    found = tuple(
        _anew(judged, finding, seen[finding.id]) if finding.id in seen else carried(finding)
        for finding in judged.assessment.findings
    )
    assessment = with_findings(judged.assessment, found, before)
    known = {finding.id: finding for finding in found if finding.cleared_ms is None}
    return replace(judged, assessment=assessment, course=Course(judged.course.life, known))


def _anew(judged: Judged, finding: Finding, situation: Situation) -> Finding:
    severity = judged_level(judged.assessment, judged.placed.layout, finding)
    situation = replace(situation, finding=replace(finding, severity=severity))
    told = explained(situation)
    return replace(told, advice=advised(replace(situation, finding=told)).line)


def _wanted(judged: Judged, before: Mapping[str, Finding], explained_so_far: set[str]) -> list[Finding]:
    stepped = {step.finding_id for step in judged.assessment.steps}
    found = [
        finding
        for finding in judged.assessment.findings
        if not finding.decided_by or finding.id in stepped or _has_come_of_age(finding, before.get(finding.id))
    ]
    found.sort(key=lambda one: (bool(one.decided_by), -SEVERITY_ORDER.index(one.severity), one.since_ms, one.id))
    wanted = found[: max(0, min(AT_ONCE, A_ROUND - len(explained_so_far)))]
    explained_so_far.update(finding.id for finding in wanted)
    return wanted


def _has_come_of_age(now: Finding, before: Finding | None) -> bool:
    if before is None:
        return True
    ages = [(one.hot_until_ms or one.raised_ms) - one.since_ms for one in (before, now)]
    return any(ages[0] < age <= ages[1] for age in AGES_MS)


def _team_id(judged: Judged, finding: Finding) -> int:
    return judged.team_ids[finding.device, finding.team]
