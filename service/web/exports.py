"""Exports: what the lists tell, as one table to keep."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Response
from fastapi.responses import StreamingResponse

from service.storage import database, inventory
from service.storage.findings import Filters
from service.web import export_rows, findings, items, stretches
from service.web.access import VIEW, Caller, needs
from service.web.export_files import MEDIA_TYPES, Form, Written
from service.web.export_rows import Asked
from service.web.models import Direction
from service.web.parameters import KNOWN_ONLY, MOST_ID, Instant, milliseconds
from service.web.refusals import NOT_KNOWN
from service.web.services import Served
from service.web.stretches import Stretch

HOUR_MS = 3_600_000
_FILE: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The table as a file",
        "content": {media_type: {"schema": {"type": "string"}} for media_type in MEDIA_TYPES.values()},
    }
}
_OF_TEAM = {**_FILE, **NOT_KNOWN}

router = APIRouter(prefix="/v1/exports", tags=["exports"], dependencies=[KNOWN_ONLY], default_response_class=Response)
Viewer = Annotated[Caller, Depends(needs(VIEW))]
Format = Annotated[Form, Query(alias="format", description="CSV as RFC 4180 has it, or Parquet with types")]
TeamId = Annotated[int, Query(ge=1, le=MOST_ID)]


def _stretch(
    services: Served,
    from_: Annotated[Instant, Query(alias="from")] = None,
    to: Instant = None,
    direction: Direction | None = None,
) -> Stretch:
    told_ms, begun_ms = milliseconds("to", to), milliseconds("from", from_)
    to_ms = services.now_ms() if told_ms is None else told_ms
    return Stretch(to_ms - HOUR_MS if begun_ms is None else begun_ms, to_ms, stretches.ways(direction), 0)


Stretched = Annotated[Stretch, Depends(_stretch)]


@router.get("/findings", summary="Export findings", responses=_FILE)
def of_findings(
    services: Served, _caller: Viewer, wanted: Annotated[Filters, Depends(findings.wanted_of)], form: Format = "csv"
) -> StreamingResponse:
    """Findings, a row each, under the same filters as their list.

    In CSV a text that a spreadsheet would take for a formula has an apostrophe before it.
    """
    with database.reading(services.engine) as connection:
        rows = export_rows.of_findings(Asked(connection, services), wanted)
        file = Written(form, export_rows.FINDINGS, rows)
    return file.answer("findings", services.now_ms())


@router.get("/teams", summary="Export teams", responses=_FILE)
def of_teams(services: Served, _caller: Viewer, device: str | None = None, form: Format = "csv") -> StreamingResponse:
    """Teams of one device or of all, a row a member by its position."""
    with database.reading(services.engine) as connection:
        file = Written(form, export_rows.TEAMS, export_rows.of_teams(Asked(connection, services), device))
    return file.answer("teams", services.now_ms())


@router.get("/windows", summary="Export windows of a team", responses=_OF_TEAM)
def of_windows(
    services: Served, _caller: Viewer, team_id: TeamId, stretch: Stretched, form: Format = "csv"
) -> StreamingResponse:
    """Windows of a team that begin within `from` and `to`, a row a member and direction; the last hour by default."""
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        rows = export_rows.of_windows(Asked(connection, services), team, stretch)
        file = Written(form, export_rows.WINDOWS, rows)
    return file.answer("windows", services.now_ms())


@router.get("/rollups", summary="Export roll-ups of a team", responses=_OF_TEAM)
def of_rollups(
    services: Served, _caller: Viewer, team_id: TeamId, stretch: Stretched, form: Format = "csv"
) -> StreamingResponse:
    """Roll-ups of a team that begin within `from` and `to`, a row a member and direction; the last hour by default."""
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        rows = export_rows.of_rollups(Asked(connection, services), team, stretch)
        file = Written(form, export_rows.ROLLUPS, rows)
    return file.answer("rollups", services.now_ms())


@router.get("/changes", summary="Export changes", responses=_FILE)
def of_changes(
    services: Served,
    _caller: Viewer,
    team_id: Annotated[int | None, Query(ge=1, le=MOST_ID)] = None,
    since: Instant = None,
    until: Instant = None,
    form: Format = "csv",
) -> StreamingResponse:
    """Changes with what came of them, a row a team and direction; `since` and `until` bound when they were made."""
    within = milliseconds("since", since), milliseconds("until", until)
    with database.reading(services.engine) as connection:
        rows = export_rows.of_changes(Asked(connection, services), team_id, within)
        file = Written(form, export_rows.CHANGES, rows)
    return file.answer("changes", services.now_ms())


@router.get("/items", summary="Export items of a team", responses=_OF_TEAM)
def of_items(  # noqa: PLR0913, PLR0917  # each filter by its name
    services: Served,
    caller: Viewer,
    team_id: TeamId,
    from_: Annotated[Instant, Query(alias="from")] = None,
    to: Instant = None,
    direction: Direction = "egress",
    form: Format = "csv",
) -> StreamingResponse:
    """Virtual ports and conversations of a team in one direction, a row each, at most the last day of what is asked.

    Conversations reveal who talks to whom: keep the file only where that is agreed.
    """
    answer = items.of_team(services, caller, team_id, from_, to, direction)
    return Written(form, export_rows.ITEMS, export_rows.of_items(answer)).answer("items", services.now_ms())
