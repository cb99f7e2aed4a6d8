"""What late samples change: findings are found anew, compared with what was kept, and only news is told.

Nobody is told again of restated numbers. People hear of a raise that has become due and still
holds, of a severity that rose, and of the end of what, as it turns out, is over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import Connection

from service import delivery
from service.evaluation import noting
from service.evaluation.piece import Judged
from service.evaluation.plan import Errand
from service.evaluation.telling import BORN, worse
from service.rules.findings import Told
from service.storage import findings, watch
from service.terms import DIRECTIONS, Finding
from service.webhooks.routes import Route

MOST_TOLD = 20  # restated windows that one line of history spells out


@dataclass(frozen=True)
class Restated:
    """One window of one member that shows another figure than before, None where unknown."""

    device: str
    team: str
    direction: str
    start_ms: int
    port: str
    old: float | None
    new: float | None


def restated(judged: Judged) -> list[Restated]:
    """The figures of a piece that differ from what was kept, by time."""
    if judged.before is None:
        return []
    placed, members = judged.placed, judged.assessment.members
    position = {port_id: at for at, port_id in enumerate(placed.port_ids.tolist())}
    team_of = placed.layout.team_of_port()
    there = dict(zip(judged.before.team_ids.tolist(), judged.before.there, strict=True))
    found: list[Restated] = []
    for before, port_id in enumerate(judged.before.port_ids.tolist()):
        port = position.get(port_id)
        if port is None:
            continue
        known = there[int(placed.team_ids[team_of[port]])]
        old = judged.before.members.utilisation[before]
        new = members.utilisation[port, : len(old)]
        differs = known[:, np.newaxis] & ~((old == new) | (np.isnan(old) & np.isnan(new)))
        found += [_restated(judged, port, (w, d), (old[w, d], new[w, d])) for w, d in np.argwhere(differs).tolist()]
    return sorted(found, key=lambda one: (one.start_ms, one.port))


def _restated(judged: Judged, port: int, at: tuple[int, int], figures: tuple[float, float]) -> Restated:
    name, span = judged.placed.layout.ports[port], judged.assessment.members.span
    start_ms = span.first_ms + at[0] * span.width_ms
    return Restated(name.device, name.team, DIRECTIONS[at[1]], start_ms, name.port, *map(_known, figures))


def _known(value: float) -> float | None:
    return None if np.isnan(value) else round(float(value), 6)


@dataclass(frozen=True)
class Anew:
    """What came of deciding windows anew: findings by id, what became so of them, and the figures that differ."""

    errand: Errand
    found: Mapping[str, Finding]
    steps: Sequence[Told]
    changes: Sequence[Restated]
    team_ids: Mapping[tuple[str, str], int]


def settle(connection: Connection, anew: Anew, routes: Sequence[Route], now_ms: int) -> int:
    """Keep what was found anew, note what was restated, and owe only what is news; how many messages were owed."""
    start_ms, decided_ms = anew.errand.start_ms, anew.errand.decided_ms
    kept = watch.alive(connection, sorted(anew.team_ids.values()), start_ms, decided_ms)
    then = {one.finding.id: one.finding for one in kept}
    anew = replace(anew, found=noting.with_changes(connection, anew.found, anew.team_ids))
    for finding in anew.found.values():
        findings.save(connection, anew.team_ids[finding.device, finding.team], finding)
    owed = _note_steps(connection, anew, then, routes, now_ms)
    gone = [finding for finding in then.values() if finding.id not in anew.found and finding.raised_ms > start_ms]
    for finding in gone:
        owed += _withdraw(connection, finding, anew, routes, now_ms)
    for finding in [*anew.found.values(), *gone]:
        _note_restated(connection, finding, anew.changes, now_ms)
    return owed


def _note_steps(
    connection: Connection, anew: Anew, then: Mapping[str, Finding], routes: Sequence[Route], now_ms: int
) -> int:
    owed = 0
    noted: dict[str, set[tuple[str, int]]] = {}
    for step in anew.steps:
        known = noted.get(step.finding_id)
        if known is None:
            lines = findings.history(connection, step.finding_id) if step.finding_id in then else ()
            known = noted[step.finding_id] = {(line.what, line.at_ms) for line in lines}
        if (step.what, step.at_ms) in known:
            continue
        known.add((step.what, step.at_ms))
        findings.note(connection, step.finding_id, step.at_ms, step.what, text=step.text)
        finding = anew.found[step.finding_id]
        if _is_news(step, finding, then.get(finding.id)):
            owed += delivery.owe(connection, finding, step.what, routes, now_ms)
    return owed


def _is_news(step: Told, now: Finding, then: Finding | None) -> bool:
    """Whether people must hear of a step that late data brought up."""
    if step.what in BORN:
        return then is None and now.cleared_ms is None
    if step.what == "severity":
        return now.cleared_ms is None and (then is None or worse(now, then))
    if step.what == "cleared":
        return then is not None and then.cleared_ms is None
    return False


def _withdraw(connection: Connection, finding: Finding, anew: Anew, routes: Sequence[Route], now_ms: int) -> int:
    """Note that, with the late data, a finding would not have been raised; end it if it was open."""
    findings.note(
        connection, finding.id, now_ms, "restated", text="with the late samples this would not have been raised"
    )
    if finding.cleared_ms is not None:
        return 0
    # Not later than what is decided: a finding that ends within windows to come counts as open before them.
    end_ms = anew.errand.end_ms
    over = replace(finding, cleared_ms=end_ms, unverified=False, updated_ms=end_ms)
    findings.save(connection, anew.team_ids[finding.device, finding.team], over)
    findings.note(connection, finding.id, end_ms, "cleared", text="ended: late samples show that it was not so")
    return delivery.owe(connection, over, "cleared", routes, now_ms)


def _note_restated(connection: Connection, finding: Finding, changes: Sequence[Restated], now_ms: int) -> None:
    end_ms = finding.cleared_ms if finding.cleared_ms is not None else now_ms
    about = (finding.device, finding.team, finding.direction)
    mine = [c for c in changes if (c.device, c.team, c.direction) == about and finding.since_ms <= c.start_ms < end_ms]
    if not mine:
        return
    windows = len({change.start_ms for change in mine})
    told = [{"start_ms": c.start_ms, "port": c.port, "old": c.old, "new": c.new} for c in mine[:MOST_TOLD]]
    text = f"{windows} window{'s' if windows > 1 else ''} restated by late samples"
    findings.note(connection, finding.id, now_ms, "restated", text=text, details={"windows": windows, "figures": told})
