"""Changes at findings: what was changed while one was open, what was foretold of it, and what came of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from sqlalchemy import Connection

from service.storage import changes, findings, predictions, watch
from service.storage.changes import Line, Seen
from service.terms import Change, Finding, Outcome, Prediction
from service.webhooks import spoken

CHANGED, VERIFIED = "change", "verified"
MOST_REFERENCE, MOST_WHO = 60, 60
ZONE = "UTC"  # a finding is kept once, whoever reads it


def sentence(change: Change, prediction: Prediction | None, line: Line) -> str:
    """What a message says of a change: when, by whom, under which reference, what was foretold and what came of it."""
    at = f"{spoken.clock(change.at_ms, 0, ZONE)} {spoken.zone_name(change.at_ms, ZONE)}"
    reference = f", {change.reference[:MOST_REFERENCE]}" if change.reference else ""
    foretold = f"; foretold {spoken.percent(prediction.success)}" if prediction else ""
    came = f"; {line.outcome.replace('-', ' ')}" if line.outcome != Outcome.CANNOT_TELL_YET else ""
    return f"changed {at} by {change.who[:MOST_WHO]}{reference}{foretold}{came}"


def with_changes(
    connection: Connection, found: Mapping[str, Finding], team_ids: Mapping[tuple[str, str], int]
) -> dict[str, Finding]:
    """Findings by id, each with the last change that was recorded for its team and direction while it was open."""
    mine = {one.id: team_ids[one.device, one.team] for one in found.values() if (one.device, one.team) in team_ids}
    if not mine:
        return dict(found)
    since_ms = min(found[finding_id].since_ms for finding_id in mine)
    seen = changes.of_teams(connection, set(mine.values()), since_ms)
    foretold = predictions.some(connection, {one.line.prediction_id for one in seen}) if seen else {}
    return {key: _changed(one, mine.get(key), seen, foretold) for key, one in found.items()}


def _changed(
    finding: Finding, team_id: int | None, seen: Iterable[Seen], foretold: Mapping[str, Prediction]
) -> Finding:
    mine = [one for one in seen if one.line.team_id == team_id and _lived_through(finding, one)]
    if not mine:
        return finding
    change, line = mine[-1]
    return replace(finding, change=sentence(change, foretold.get(line.prediction_id), line))


def _lived_through(finding: Finding, one: Seen) -> bool:
    """Whether a finding was there when its team and direction were changed."""
    ended_ms = finding.cleared_ms
    at_ms = one.change.at_ms
    return one.line.direction == finding.direction and finding.since_ms <= at_ms and (ended_ms or at_ms) >= at_ms


def note_change(connection: Connection, change: Change, lines: Sequence[Line], now_ms: int) -> int:
    """Say at the findings that lived through a change that it was made; at how many.

    Whoever calls holds the teams' rows, so that nobody evaluates them meanwhile.
    """
    touched = _touched(connection, change, lines, now_ms)
    for finding, line in touched:
        findings.note(connection, finding.id, change.at_ms, CHANGED, change.who, change.what, _about(change, line))
    return len(touched)


def note_verdict(connection: Connection, change: Change, line: Line, now_ms: int) -> int:
    """Say at the findings that lived through a change what came of it; at how many. Hold the team's row before."""
    touched = _touched(connection, change, [line], now_ms)
    text = line.verdict.text if line.verdict else ""
    for finding, _ in touched:
        told = _about(change, line) | {"outcome": str(line.outcome), "final": line.final}
        findings.note(connection, finding.id, now_ms, VERIFIED, text=text, details=told)
    return len(touched)


def _about(change: Change, line: Line) -> dict[str, str | bool]:
    return {"change": change.id, "reference": change.reference, "prediction": line.prediction_id}


def _touched(connection: Connection, change: Change, lines: Sequence[Line], now_ms: int) -> list[tuple[Finding, Line]]:
    """The findings that lived through a change, kept with the sentence that says so."""
    by_place = {(line.team_id, line.direction): line for line in lines}
    foretold = predictions.some(connection, {line.prediction_id for line in lines})
    touched = []
    for finding, team_id in watch.alive(connection, sorted({line.team_id for line in lines}), change.at_ms - 1, now_ms):
        line = by_place.get((team_id, finding.direction))
        if line is not None and _lived_through(finding, Seen(change, line)):
            said = replace(finding, change=sentence(change, foretold.get(line.prediction_id), line))
            findings.save(connection, team_id, said)
            touched.append((said, line))
    return touched
