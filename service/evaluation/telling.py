"""Keeping what came of an evaluation: findings, their history, the messages they owe, and what is known of sources."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sqlalchemy import Connection

from service import delivery
from service.evaluation.piece import Judged
from service.rules.findings import Told
from service.storage import findings
from service.terms import SEVERITY_ORDER, Finding
from service.webhooks.routes import Route

BORN = ("raised", "recurrent")


def keep(connection: Connection, judged: Judged, routes: Sequence[Route], now_ms: int) -> int:
    """Keep findings as they are now, a line of history for each step, and the messages owed; how many were owed."""
    found = {finding.id: finding for finding in judged.assessment.findings}
    team_ids = judged.team_ids
    for finding in found.values():
        findings.save(connection, team_ids[finding.device, finding.team], finding)
    owed = 0
    for step in judged.assessment.steps:
        findings.note(connection, step.finding_id, step.at_ms, step.what, text=step.text)
        owed += delivery.owe(connection, _as_then(found[step.finding_id], step), step.what, routes, now_ms)
    return owed


def _as_then(finding: Finding, step: Told) -> Finding:
    """The finding as it is told of at a step: one that has been cleared since was still open."""
    return finding if step.what == "cleared" else replace(finding, cleared_ms=None)


def worse(now: Finding, then: Finding) -> bool:
    """Whether a finding's severity has risen."""
    return SEVERITY_ORDER.index(now.severity) > SEVERITY_ORDER.index(then.severity)
