"""GET /findings/{id}: one finding, its members, what to do first, why, and all that happened to it."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Query, Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup
from sqlalchemy import Connection

from service.charts import bars
from service.charts.bars import Bar
from service.errors import NoSheet, WrongState
from service.evaluation import advising
from service.pages import charting, happened, listed, routing
from service.pages.charting import Look, Looking
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.rules.advice import spoken
from service.storage import changes, database, deliveries, findings, predictions
from service.storage.changes import Seen
from service.storage.findings import Kept
from service.terms import DIAGNOSES, SEVERITY_PHRASES, Finding
from service.web.findings import MOST_DELIVERIES
from service.web.services import Served, Services
from service.webhooks.fields import instant

HOUR_MS = 3_600_000
MOST_PARTS = 500

router = routing.router()


@router.get("/findings/{finding_id}")
def finding(request: Request, services: Served, viewer: Watching, finding_id: str, asked: Looking) -> HTMLResponse:
    """One finding."""
    with database.reading(services.engine) as connection:
        kept = findings.one(connection, finding_id)
        history = findings.history(connection, finding_id)
        seen = _changes(connection, kept, services.now_ms())
        told = {
            **_said(kept, services),
            **_parts(connection, kept.finding),
            **_advised(connection, services, finding_id),
            "charts": _charts(connection, services, kept, asked),
            "changes": seen,
            "foretold": predictions.some(connection, {one.line.prediction_id for one in seen}),
            "history": happened.happenings(connection, kept, history),
            "judged": happened.judged(history),
            "owed": deliveries.listing(connection, finding_id=finding_id, limit=MOST_DELIVERIES).items,
        }
    return page(request, viewer, "finding.html", {"here": "findings", "live": f"finding:{finding_id}", **told})


@router.get("/findings/{finding_id}/sheet")
def sheet(
    request: Request,
    services: Served,
    viewer: Watching,
    finding_id: str,
    option: Annotated[str, Query(min_length=1, max_length=100)],
) -> HTMLResponse:
    """An option as a sheet for change control; refused for what must not be carried out as things stand."""
    with database.reading(services.engine) as connection:
        found = advising.found(connection, finding_id, services.policy, services.now_ms())
    told = {"here": "findings", "finding_id": finding_id, "sheet": found.sheet(option)}
    return page(request, viewer, "finding_sheet.html", told)


def _said(kept: Kept, services: Services) -> dict[str, Any]:
    """What is kept of it, with a drawing of its members."""
    found = kept.finding
    return {
        "kept": kept,
        "finding": found,
        "finding_id": found.id,
        "sentence": listed.sentence_of(found),
        "phrase": SEVERITY_PHRASES[found.severity],
        "bars": _bars(found, services),
        "hot_above": services.policy.rules_for(found.device, found.team).hot_above,
        "diagnosed": DIAGNOSES,
        "working": {} if found.teams else {one.port: _working(kept, one.port) for one in found.members},
        "peak_working": "" if found.teams else _working(kept, found.peak_port),
    }


def _parts(connection: Connection, found: Finding) -> dict[str, Any]:
    """Of a finding about many teams: what was found at each, and the names of those of which nothing is kept."""
    parts = findings.parts(connection, [found.id], MOST_PARTS)[found.id] if found.teams else ()
    known = {f"{kept.finding.device}/{kept.finding.team}" for kept in parts}
    left_out = [name for name in found.teams if name not in known]
    return {"parts": parts, "left_out": left_out[:MOST_PARTS], "unnamed": max(0, len(left_out) - MOST_PARTS)}


def _bars(found: Finding, services: Services) -> Markup:
    members = [Bar(one.port, one.utilisation, one.why_not) for one in found.members]
    hot_above = services.policy.rules_for(found.device, found.team).hot_above
    title = f"Members of {found.team} on {found.device}, {found.direction}"
    # Drawn by our own code, which escapes every name it is told.
    return Markup(bars.both(members, hot_above, found.even_split, title=title))  # noqa: S704


def _working(kept: Kept, port: str) -> str:
    """Where the figures of a member in the peak window are worked out."""
    place = {"port": port, "direction": kept.finding.direction, "start": instant(kept.finding.peak_ms)}
    return f"/teams/{kept.team_id}/working?{urlencode(place)}"


def _advised(connection: Connection, services: Services, finding_id: str) -> dict[str, Any]:
    """What could be done, as REST tells it; or why nothing can be advised."""
    try:
        found = advising.found(connection, finding_id, services.policy, services.now_ms())
    except WrongState as refused:
        return {"advice": None, "not_advised": str(refused), "odds": {}, "sheets": set()}
    odds = {one.name: spoken.chance(one.chances[0].success) for one in found.advice.options if one.chances}
    sheets = {one.name for one in found.advice.options if _has_sheet(found, one.name)}
    return {"advice": found.advice, "not_advised": "", "odds": odds, "sheets": sheets}


def _has_sheet(found: advising.Found, option: str) -> bool:
    """Whether there is anything to carry out, and it may be."""
    try:
        found.sheet(option)
    except NoSheet:
        return False
    return True


def _charts(connection: Connection, services: Services, kept: Kept, asked: Look) -> tuple[Any, ...]:
    """The team in the finding's direction around its own time; nothing for a finding of many teams."""
    found = kept.finding
    if found.teams:
        return ()
    until_ms = asked.until_ms or min(services.now_ms(), found.raised_ms + HOUR_MS)
    return charting.charted(
        connection,
        services,
        kept.team_id,
        (found.direction,),
        asked.zoom,
        until_ms,
        page=asked.page,
        address=f"/findings/{found.id}",
    )


def _changes(connection: Connection, kept: Kept, now_ms: int) -> list[Seen]:
    """What was changed at its team from an hour before it until its end."""
    found = kept.finding
    if found.teams:
        return []
    end_ms = now_ms if found.cleared_ms is None else found.cleared_ms
    seen = changes.of_teams(connection, [kept.team_id], found.since_ms - HOUR_MS)
    return [one for one in seen if one.change.at_ms <= end_ms and one.line.direction == found.direction]
