"""GET /teams/{id}: one team, what it does now, over time, and what was found and changed at it."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from service.pages import charting, routing
from service.pages.charting import Looking
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import changes, claims, database, findings, inventory, rosters
from service.storage.findings import Filters
from service.storage.inventory import Team
from service.web import figures, stretches
from service.web.parameters import Id
from service.web.services import Served, Services

LATELY_MS = 14 * 86_400_000
MOST_SHOWN = 50

router = routing.router()


@router.get("/teams/{team_id}")
def team(request: Request, services: Served, viewer: Watching, team_id: Id, asked: Looking) -> HTMLResponse:
    """One team."""
    since_ms = services.now_ms() - LATELY_MS
    with database.reading(services.engine) as connection:
        found = inventory.team(connection, team_id)
        charts = charting.charted(
            connection, services, team_id, zoom=asked.zoom, until_ms=asked.until_ms, page=asked.page
        )
        lately = Filters(team_id=team_id, since_ms=since_ms)
        told = {
            "team": found,
            "claims": [one for one in claims.of_devices(connection, [found.device]) if one.port in found.members],
            "last": _last(connection, services, found),
            "charts": charts,
            "open": findings.listing(connection, Filters(team_id=team_id, state="open"), limit=MOST_SHOWN).items,
            "lately": findings.listing(connection, lately, limit=MOST_SHOWN).items,
            "changes": changes.of_teams(connection, [team_id], since_ms),
        }
    return page(request, viewer, "team.html", {"here": "teams", "live": f"team:{team_id}", **told})


def _last(connection: Connection, services: Services, team: Team) -> list[dict[str, Any]]:
    """The last decided window in both directions, as REST tells it, each member with where its figure comes from."""
    if team.decided_ms is None:
        return []
    width_ms = services.policy.width_ms
    rows = rosters.of_windows(connection, team.id, team.decided_ms - width_ms, team.decided_ms, width_ms)
    stays, _ = stretches.page(rows, 1)
    shown = figures.Showing(connection, team, services.policy)
    windows = [window for stay in stays for window in shown.windows(stay, stretches.ways(None))]
    for window in windows:
        for member in window["members"]:
            place = {"port": member["port"], "direction": window["direction"], "start": window["start"]}
            member["working"] = f"/teams/{team.id}/working?{urlencode(place)}"
    return windows
