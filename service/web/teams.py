"""Teams, and the figures of their windows and roll-ups."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query
from sqlalchemy import Connection

from service.storage import agreements, database, inventory, rosters
from service.storage.inventory import Team
from service.web import figures, inventory_models, measured, port_models, stretches
from service.web.access import VIEW, Caller, needs
from service.web.inventory import agreement
from service.web.models import Direction
from service.web.parameters import KNOWN_ONLY, USUAL_A_PAGE, Cursor, Id, Instant, InstantInPath, Limit, milliseconds
from service.web.services import Served
from service.web.stretches import Stretch
from service.web.working import shown
from service.webhooks.fields import instant

MOST_WINDOWS = 2880  # a day of them
HOUR_MS = 3_600_000

router = APIRouter(prefix="/v1/teams", tags=["teams"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]


def _stretch(  # noqa: PLR0913, PLR0917  # each parameter by its name
    services: Served,
    from_: Annotated[Instant, Query(alias="from")] = None,
    to: Instant = None,
    direction: Direction | None = None,
    limit: Annotated[int, Query(ge=1, le=MOST_WINDOWS, description="How many at most on this page")] = 240,
    cursor: Cursor = None,
) -> Stretch:
    told = milliseconds("to", to)
    to_ms = services.now_ms() if told is None else told
    from_ms = milliseconds("from", from_)
    begun_ms = stretches.begin_ms(cursor, to_ms - HOUR_MS if from_ms is None else from_ms)
    return Stretch(begun_ms, to_ms, stretches.ways(direction), limit)


Stretched = Annotated[Stretch, Depends(_stretch)]


@router.get("", summary="List teams")
def listing(
    services: Served, _caller: Viewer, device: str | None = None, limit: Limit = USUAL_A_PAGE, cursor: Cursor = None
) -> inventory_models.Teams:
    """Teams, of one device or of all."""
    with database.reading(services.engine) as connection:
        page = inventory.teams(connection, device=device, cursor=cursor, limit=limit)
    return inventory_models.Teams(items=[_told(team) for team in page.items], next=page.cursor)


@router.get("/{team_id}", summary="One team")
def one(services: Served, _caller: Viewer, team_id: Id) -> port_models.WholeTeam:
    """One team with its members, and how far readings of the same traffic agree: its interface, its cables."""
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        shown_as = [agreement(row) for row in compared(connection, team)]
    return port_models.WholeTeam.model_validate(_told(team).model_dump() | {"agreements": shown_as})


def compared(connection: Connection, team: Team) -> list[agreements.Agreement]:
    """How far readings of a team's traffic agree: its members with its interface, and the ends of its cables."""
    mine = {(agreements.SUM, team.name), *((agreements.CABLE, port) for port in team.members)}
    return [row for row in agreements.of_devices(connection, [team.device]) if (row.what, row.name) in mine]


@router.get("/{team_id}/windows", summary="Windows of a team")
def windows(services: Served, _caller: Viewer, team_id: Id, stretch: Stretched) -> measured.Windows:
    """Decided windows that begin within `from` and `to`, half-open; the last hour where nothing is said.

    A page has at most `limit` windows of time, each in one direction or in both.
    """
    width_ms = services.policy.width_ms
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        found = rosters.of_windows(connection, team_id, stretch.from_ms, stretch.to_ms, width_ms)
        stays, following = stretches.page(found, stretch.limit)
        shown_by = figures.Showing(connection, team, services.policy)
        items = [window for stay in stays for window in shown_by.windows(stay, stretch.ways)]
    return measured.Windows(window_seconds=width_ms / 1000, items=items, next=following)


@router.get("/{team_id}/windows/{start}/working", summary="Where a figure comes from")
def working(  # each parameter by its name
    services: Served,
    _caller: Viewer,
    team_id: Id,
    start: InstantInPath,
    port: Annotated[str, Query(min_length=1, max_length=255)],
    direction: Direction,
) -> measured.Working:
    """The readings, differences, seconds and speed behind one member in one window, worked out anew."""
    start_ms = milliseconds("start", start)
    with database.reading(services.engine) as connection:
        return shown(connection, services.policy, team_id, (port, direction, start_ms or 0), services.now_ms())


@router.get("/{team_id}/rollups", summary="Roll-ups of a team")
def rollups(services: Served, _caller: Viewer, team_id: Id, stretch: Stretched) -> measured.Rollups:
    """Five minutes a row: mean, peak, seconds above the hot line and coverage of every member."""
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        found = rosters.of_rollups(connection, team_id, stretch.from_ms, stretch.to_ms)
        stays, following = stretches.page(found, stretch.limit)
        shown_by = figures.Showing(connection, team, services.policy)
        items = [row for stay in stays for row in shown_by.rollups(stay, stretch.ways)]
    return measured.Rollups(device=team.device, team=team.name, items=items, next=following)


def _told(team: Team) -> inventory_models.Team:
    return inventory_models.Team.model_validate(
        {
            "id": team.id,
            "device": team.device,
            "team": team.name,
            "method": team.method,
            "bundle": team.bundle,
            "members": list(team.members),
            "decided_at": instant(team.decided_ms),
        }
    )
