"""GET /teams: teams by device, searched by what somebody remembers of them, each with its last window at a glance."""

from __future__ import annotations

from itertools import groupby
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Query, Request
from fastapi.responses import HTMLResponse

from service.pages import routing
from service.pages.glances import glances
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import database, team_search
from service.storage.team_search import Sought
from service.web.parameters import Cursor
from service.web.services import Served

A_PAGE, MOST_WORDS = 100, 6

router = routing.router()


@router.get("/teams")
def listing(  # noqa: PLR0913, PLR0917  # each parameter by its name
    request: Request,
    services: Served,
    viewer: Watching,
    words: Annotated[str, Query(max_length=255)] = "",
    method: Annotated[str, Query(max_length=32)] = "",
    only: Annotated[str, Query(pattern="^(open)?$")] = "",
    cursor: Cursor = None,
) -> HTMLResponse:
    """Teams, a page at a time."""
    sought = Sought(tuple(words.split()[:MOST_WORDS]), method, only == "open")
    with database.reading(services.engine) as connection:
        found = team_search.found(connection, sought, cursor=cursor, limit=A_PAGE)
        told = {
            "count": team_search.count(connection, sought),
            "methods": team_search.methods(connection),
            "open": team_search.open_at(connection, [team.id for team in found.items]),
            "glances": glances(connection, found.items, services.policy.width_ms),
        }
    asked = {"words": words, "method": method, "only": only}
    more = f"/teams?{urlencode({**asked, 'cursor': found.cursor})}" if found.cursor else ""
    devices = [(name, list(teams)) for name, teams in groupby(found.items, lambda team: team.device)]
    told |= {"here": "teams", "live": "teams", "asked": asked, "devices": devices, "more": more, "first": not cursor}
    told["narrowed"] = sought != Sought()
    return page(request, viewer, "teams.html", told)
