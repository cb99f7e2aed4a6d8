"""GET /teams/{id}: one team, what it does now, over time, and what was found, noted and changed at it."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from service.pages import charting, listed, routing, team_past
from service.pages.charting import Looking
from service.pages.rendering import page
from service.pages.team_members import members
from service.pages.team_now import now
from service.pages.viewers import Watching
from service.storage import database, findings, inventory
from service.storage.findings import Filters
from service.storage.inventory import Team
from service.terms import DIRECTIONS
from service.web.parameters import Id
from service.web.services import Served
from service.web.teams import compared

MOST_SHOWN = 10
BUNDLES = {
    "": "nobody says whether its far end is a bundle",
    "none": "its far end sees single ports, no bundle",
    "static": "with a static bundle at its far end",
    "lacp": "with a bundle by LACP at its far end",
}

router = routing.router()


@router.get("/teams/{team_id}")
def team(request: Request, services: Served, viewer: Watching, team_id: Id, asked: Looking) -> HTMLResponse:
    """One team."""
    with database.reading(services.engine) as connection:
        found = inventory.team(connection, team_id)
        last = now(connection, services, found)
        told = {
            "team": found,
            "bundle": BUNDLES.get(found.bundle, found.bundle),
            "last": last,
            "members": members(connection, services, found, last),
            "charts": charting.charted(
                connection, services, team_id, zoom=asked.zoom, until_ms=asked.until_ms, page=asked.page
            ),
            "compared": compared(connection, found),
            "changes": team_past.changed(connection, team_id, limit=MOST_SHOWN),
            "events": team_past.happened(connection, found, limit=MOST_SHOWN),
            **_found(connection, found),
        }
    more = {"directions": DIRECTIONS, "now_ms": services.now_ms(), "width_ms": services.policy.width_ms}
    return page(request, viewer, "team.html", {"here": "teams", "live": f"team:{team_id}", **told, **more})


def _found(connection: Connection, team: Team) -> dict[str, Any]:
    """What stands open at it, and what was cleared last, each with whether there is more."""
    told: dict[str, Any] = {}
    for state in findings.STATES:
        some = findings.listing(connection, Filters(team_id=team.id, state=state), limit=MOST_SHOWN)
        told |= {state: listed.flat(some.items), f"more_{state}": some.cursor is not None}
    return told
