"""Changes that people made: recorded with their teams, shown with what they are compared with and what came of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Response
from sqlalchemy import Connection

from service.evaluation import recording
from service.rules.verdicts.fleet import fleet_verdict
from service.storage import changes, database, predictions
from service.storage.changes import Line
from service.terms import DIRECTIONS, Baseline, Change, Prediction, Side, Verdict
from service.web import change_forms
from service.web import change_models as models
from service.web.access import OPERATE, VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY, MOST_ID, USUAL_A_PAGE, Cursor, Instant, Limit, milliseconds
from service.web.refusals import NOT_KNOWN
from service.web.services import Served
from service.webhooks.fields import instant

NOTE = (
    "A fixed way of splitting is one draw: a verdict is on this placement, not on the method."
    " Windows near a change are left out; whoever backs a change out does so under their own change control."
)

router = APIRouter(prefix="/v1/changes", tags=["changes"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]
Operator = Annotated[Caller, Depends(needs(OPERATE))]


@router.post(
    "",
    summary="Record a change",
    status_code=HTTPStatus.CREATED,
    response_model=models.WholeChange,
    responses={HTTPStatus.OK: {"model": models.WholeChange, "description": "Recorded before"}, **NOT_KNOWN},
)
def record(services: Served, caller: Operator, told: change_forms.NewChange, response: Response) -> dict[str, Any]:
    """Say that people changed something, at one team or at many: what it is compared with is frozen now.

    Nothing is done to any device. Told twice under the same `request`, it is kept once.
    """
    as_said = said(told, caller)
    done = recording.record(services.engine, as_said, caller.name, services.policy, services.now_ms())
    response.status_code = HTTPStatus.CREATED if done.new else HTTPStatus.OK
    with database.reading(services.engine) as connection:
        return shown(connection, done.change)


@router.get("", summary="List changes", response_model=models.Changes)
def listing(  # noqa: PLR0913, PLR0917  # each filter by its name
    services: Served,
    _caller: Viewer,
    team_id: Annotated[int | None, Query(ge=1, le=MOST_ID)] = None,
    since: Instant = None,
    until: Instant = None,
    limit: Limit = USUAL_A_PAGE,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """Changes, the last made first; `since` and `until` bound when they were made, half-open."""
    within = milliseconds("since", since), milliseconds("until", until)
    team_ids = None if team_id is None else [team_id]
    with database.reading(services.engine) as connection:
        page = changes.listing(connection, team_ids, within, cursor=cursor, limit=limit)
        counts = changes.outcomes(connection, [change.id for change in page.items])
    return {"items": [_told(change, counts[change.id]) for change in page.items], "next": page.cursor}


@router.get("/{change_id}", summary="One change", response_model=models.WholeChange)
def one(services: Served, _caller: Viewer, change_id: str) -> dict[str, Any]:
    """One change: by team and direction what it is compared with, what was foretold, and what came of it."""
    with database.reading(services.engine) as connection:
        return shown(connection, changes.one(connection, change_id))


def said(told: change_forms.NewChange, caller: Caller) -> recording.Told:
    """What somebody says of a change, as it is recorded."""
    return recording.Told(
        at_ms=milliseconds("at", told.at) or 0,
        what=told.what,
        teams=tuple(
            recording.Asked(one.device, one.team, one.direction or "", one.prediction or "") for one in told.teams
        ),
        who=told.who or caller.name,
        reference=told.reference,
        kind=told.kind,
        settle_ms=told.settle_seconds * 1000,
        request=told.request,
        until_ms=milliseconds("compare_until", told.compare_until),
    )


def shown(connection: Connection, change: Change) -> dict[str, Any]:
    """A change with all that came of it, as it is shown."""
    lines = changes.lines(connection, change.id)
    foretold = predictions.some(connection, {line.prediction_id for line in lines})
    counts = changes.outcomes(connection, [change.id])[change.id]
    return {
        **_told(change, counts),
        "teams": [_result(line, foretold) for line in lines],
        "fleet": _fleet(lines),
        "note": NOTE,
    }


def _told(change: Change, counts: Mapping[str, int]) -> dict[str, Any]:
    same = ("id", "who", "what", "reference", "kind", "created_by")
    return {name: getattr(change, name) for name in same} | {
        "at": instant(change.at_ms),
        "settle_seconds": change.settle_ms / 1000,
        "after_begins_at": instant(change.at_ms + change.settle_ms),
        "created_at": instant(change.created_ms),
        "outcomes": dict(counts),
    }


def _result(line: Line, foretold: Mapping[str, Prediction]) -> dict[str, Any]:
    prediction = foretold.get(line.prediction_id)
    return {
        "team_id": line.team_id,
        "device": line.device,
        "team": line.team,
        "direction": line.direction,
        "outcome": line.outcome,
        "final": line.final,
        "verdict_at": instant(line.verdict_ms) if line.verdict else None,
        "verdict": verdict_told(line.verdict) if line.verdict else None,
        "baseline": _baseline(line.baseline) if line.baseline else None,
        "prediction": prediction_told(prediction, line.change_id) if prediction else None,
    }


def _baseline(baseline: Baseline) -> dict[str, Any]:
    spans = [{"start": instant(start), "end": instant(end)} for start, end in baseline.spans]
    same = ("days", "zone", "windows", "counted")
    return {name: getattr(baseline, name) for name in same} | {
        "spans": spans,
        "frozen_at": instant(baseline.frozen_ms),
    }


def verdict_told(verdict: Verdict) -> dict[str, Any]:
    """A verdict as it is shown."""
    told = asdict(verdict) | {"before": _side(verdict.before), "after": _side(verdict.after)}
    return told | {"could_tell_at": instant(told.pop("could_tell_ms"))}


def _side(side: Side) -> dict[str, Any]:
    delivered = side.delivered_bps
    return asdict(side) | {"delivered_bps": None if delivered is None else round(delivered)}


def _fleet(lines: Sequence[Line]) -> list[dict[str, Any]]:
    """What came of many teams together, direction by direction; nothing is said of a single one."""
    told = []
    for way in DIRECTIONS:
        verdicts = [line.verdict for line in lines if line.direction == way and line.verdict]
        if len([line for line in lines if line.direction == way]) > 1:
            one = fleet_verdict(verdicts)
            counts = {str(outcome): count for outcome, count in one.counts.items()}
            figures = asdict(one) | {"outcomes": counts}
            figures.pop("counts")
            told.append({"direction": way, **figures})
    return told


def prediction_told(prediction: Prediction, change_id: str | None) -> dict[str, Any]:
    """A prediction as it is shown."""
    told = asdict(prediction)
    made_ms = told.pop("made_ms")
    return told | {"made_at": instant(made_ms), "finding_id": prediction.finding_id or None, "change_id": change_id}
