"""GET /exports: what can be had as a file, as forms; and the files for whoever is signed in."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Query, Request
from fastapi.responses import HTMLResponse, StreamingResponse

from service.pages import filled
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage.findings import OPERATOR_STATES, STATES, Filters
from service.terms import DIRECTIONS, Severity
from service.web import exports
from service.web.export_files import MOST_ROWS
from service.web.exports import Format, Stretched, TeamId
from service.web.findings import wanted_of
from service.web.models import Direction
from service.web.parameters import MOST_ID, Instant
from service.web.services import Served

router = filled.router()
SomeTeam = Annotated[int | None, Query(ge=1, le=MOST_ID)]


@router.get("/exports")
def listing(
    request: Request, viewer: Watching, team_id: SomeTeam = None, device: Annotated[str, Query(max_length=255)] = ""
) -> HTMLResponse:
    """What can be had, with a team or a device filled in where the address names one."""
    told = {
        "team_id": team_id or "",
        "device": device,
        "directions": DIRECTIONS,
        "states": STATES,
        "operator_states": OPERATOR_STATES,
        "severities": [str(one) for one in Severity],
        "most_rows": MOST_ROWS,
    }
    return page(request, viewer, "exports.html", told)


@router.get("/exports/findings")
def of_findings(
    services: Served, viewer: Watching, wanted: Annotated[Filters, Depends(wanted_of)], form: Format = "csv"
) -> StreamingResponse:
    """Findings as a file."""
    return exports.of_findings(services, viewer.caller, wanted, form)


@router.get("/exports/teams")
def of_teams(services: Served, viewer: Watching, device: str | None = None, form: Format = "csv") -> StreamingResponse:
    """Teams as a file."""
    return exports.of_teams(services, viewer.caller, device, form)


@router.get("/exports/windows")
def of_windows(
    services: Served, viewer: Watching, team_id: TeamId, stretch: Stretched, form: Format = "csv"
) -> StreamingResponse:
    """Windows of a team as a file."""
    return exports.of_windows(services, viewer.caller, team_id, stretch, form)


@router.get("/exports/rollups")
def of_rollups(
    services: Served, viewer: Watching, team_id: TeamId, stretch: Stretched, form: Format = "csv"
) -> StreamingResponse:
    """Roll-ups of a team as a file."""
    return exports.of_rollups(services, viewer.caller, team_id, stretch, form)


@router.get("/exports/changes")
def of_changes(  # noqa: PLR0913, PLR0917  # each filter by its name
    services: Served,
    viewer: Watching,
    team_id: SomeTeam = None,
    since: Instant = None,
    until: Instant = None,
    form: Format = "csv",
) -> StreamingResponse:
    """Changes as a file."""
    return exports.of_changes(services, viewer.caller, team_id, since, until, form)


@router.get("/exports/items")
def of_items(  # noqa: PLR0913, PLR0917  # each filter by its name
    services: Served,
    viewer: Watching,
    team_id: TeamId,
    from_: Annotated[Instant, Query(alias="from")] = None,
    to: Instant = None,
    direction: Direction = "egress",
    form: Format = "csv",
) -> StreamingResponse:
    """Items of a team as a file."""
    return exports.of_items(services, viewer.caller, team_id, from_, to, direction, form)
