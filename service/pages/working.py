"""GET /teams/{id}/working: where the figure of one member in one window comes from."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import Query, Request
from fastapi.responses import HTMLResponse

from service.errors import WrongQuestion
from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import database
from service.web.models import Direction
from service.web.parameters import Id, Instant, milliseconds
from service.web.services import Served
from service.web.working import DATES_MS, shown
from service.webhooks.fields import instant

Port = Annotated[str, Query(min_length=1, max_length=255)]

router = routing.router()


@router.get("/teams/{team_id}/working")
def working(  # noqa: PLR0913, PLR0917  # each parameter by its name
    request: Request,
    services: Served,
    viewer: Watching,
    team_id: Id,
    port: Port,
    direction: Direction,
    start: Instant = None,
) -> HTMLResponse:
    """The readings, differences, seconds and speed behind a figure, worked out anew as REST does."""
    start_ms = milliseconds("start", start)
    if start_ms is None:
        raise WrongQuestion("start", "say when the window begins")
    with database.reading(services.engine) as connection:
        found = shown(connection, services.policy, team_id, (port, direction, start_ms), services.now_ms())
    width_ms = services.policy.width_ms
    beside = [
        (words, f"/teams/{team_id}/working?{urlencode({'port': port, 'direction': direction, 'start': instant(at)})}")
        for words, at in (("Window before", start_ms - width_ms), ("Window after", start_ms + width_ms))
        if at in DATES_MS
    ]
    return page(
        request, viewer, "working.html", {"here": "teams", "team_id": team_id, "found": found, "beside": beside}
    )
