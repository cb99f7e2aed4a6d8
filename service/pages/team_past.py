"""GET /teams/{id}/changes and /teams/{id}/events: all that was changed at a team, and noted of its data."""

from __future__ import annotations

from typing import NamedTuple

from fastapi import Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import changes, database, events, inventory
from service.storage.changes import Line
from service.storage.cursors import Page
from service.storage.inventory import Team
from service.terms import Change
from service.web.parameters import Cursor, Id
from service.web.services import Served

A_PAGE = 50

router = routing.router()


class Changed(NamedTuple):
    """A change, and what it was at one team, direction by direction."""

    change: Change
    lines: list[Line]


def changed(connection: Connection, team_id: int, cursor: str | None = None, limit: int = A_PAGE) -> Page[Changed]:
    """What was changed at a team, the last made first."""
    some = changes.listing(connection, [team_id], cursor=cursor, limit=limit)
    lines = changes.at_team(connection, team_id, [one.id for one in some.items])
    return Page(tuple(Changed(one, lines[one.id]) for one in some.items), some.cursor)


def happened(connection: Connection, team: Team, cursor: str | None = None, limit: int = A_PAGE) -> Page[events.Kept]:
    """What was noted of the data of a team's members and of their device, the newest first."""
    ports = ("", *team.members)
    return events.listing(connection, device=team.device, ports=ports, cursor=cursor, limit=limit)


@router.get("/teams/{team_id}/changes")
def all_changes(
    request: Request, services: Served, viewer: Watching, team_id: Id, cursor: Cursor = None
) -> HTMLResponse:
    """Changes at a team, page by page."""
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        some = changed(connection, team_id, cursor)
    return page(request, viewer, "team_changes.html", {"here": "teams", "team": team, "changes": some})


@router.get("/teams/{team_id}/events")
def all_events(
    request: Request, services: Served, viewer: Watching, team_id: Id, cursor: Cursor = None
) -> HTMLResponse:
    """Events of a team's data, page by page."""
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        some = happened(connection, team, cursor)
    return page(request, viewer, "team_events.html", {"here": "teams", "team": team, "events": some})
