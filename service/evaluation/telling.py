"""Keeping what came of an evaluation: findings, their history, the messages they owe, and what is known of sources."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from sqlalchemy import Connection

from service import delivery
from service.delivery.owing import NOTHING_ALIKE, Alike
from service.evaluation import fleets, noting
from service.evaluation.piece import Judged
from service.rules import fleet
from service.rules.findings import Told
from service.storage import findings, inventory, watch
from service.terms import SEVERITY_ORDER, Finding
from service.webhooks.routes import Route

BORN = ("raised", "recurrent")


def keep(connection: Connection, judged: Judged, routes: Sequence[Route], now_ms: int) -> int:
    """Keep findings as they are now, a line of history for each step, and the messages owed; how many were owed."""
    team_ids = judged.team_ids
    found = noting.with_changes(connection, {one.id: one for one in judged.assessment.findings}, team_ids)
    for finding in found.values():
        findings.save(connection, team_ids[finding.device, finding.team], finding)
    owed = 0
    alike = _alike(connection, judged, found)
    for step in judged.assessment.steps:
        findings.note(connection, step.finding_id, step.at_ms, step.what, text=step.text)
        finding = found[step.finding_id]
        together = alike.get(finding.id, NOTHING_ALIKE) if step.what in BORN else NOTHING_ALIKE
        owed += delivery.owe(connection, _as_then(finding, step), step.what, routes, now_ms, alike=together)
    return owed


def _alike(connection: Connection, judged: Judged, found: Mapping[str, Finding]) -> dict[str, Alike]:
    """The findings raised just now that may turn out to be one of many for one cause, and how long each waits."""
    born = {step.finding_id for step in judged.assessment.steps if step.what in BORN}
    of = {name: judged.team_ids[found[name].device, found[name].team] for name in born}
    toward = fleets.crowded(connection, of.values())
    return {
        name: Alike(toward[team_id], fleets.HOLD_MS if found[name].family == fleet.FAMILY else fleets.SHORT_HOLD_MS)
        for name, team_id in of.items()
        if team_id in toward
    }


def end(connection: Connection, team_ids: Sequence[int], routes: Sequence[Route], now_ms: int) -> Counter[str]:
    """End what is open of teams that have no members any more: nothing that comes could ever end it."""
    counts: Counter[str] = Counter()
    if not team_ids:
        return counts
    decided_ms = inventory.decided(connection, team_ids)
    for finding, team_id in watch.alive(connection, team_ids, now_ms, now_ms):
        if finding.cleared_ms is None:
            end_ms = decided_ms[team_id] or now_ms
            over = replace(finding, cleared_ms=end_ms, unverified=False, updated_ms=end_ms)
            findings.save(connection, team_id, over)
            findings.note(connection, over.id, end_ms, "cleared", text="ended: the team has no members any more")
            counts += Counter(cleared=1, owed=delivery.owe(connection, over, "cleared", routes, now_ms))
    return counts


def _as_then(finding: Finding, step: Told) -> Finding:
    """The finding as it is told of at a step: one that has been cleared since was still open."""
    return finding if step.what == "cleared" else replace(finding, cleared_ms=None)


def worse(now: Finding, then: Finding) -> bool:
    """Whether a finding's severity has risen."""
    return SEVERITY_ORDER.index(now.severity) > SEVERITY_ORDER.index(then.severity)
