"""GET /teams: teams that have something open, the worst first, then all of them a page at a time."""

from __future__ import annotations

from itertools import groupby
from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import HTMLResponse

from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import database, findings, inventory, tally
from service.storage.findings import Filters, Kept
from service.terms import SEVERITY_ORDER
from service.web.parameters import Cursor
from service.web.services import Served
from service.webhooks.wording import text_of

A_PAGE, MOST_OPEN = 100, 25

router = routing.router()


@router.get("/teams")
def listing(
    request: Request,
    services: Served,
    viewer: Watching,
    device: Annotated[str, Query(max_length=255)] = "",
    cursor: Cursor = None,
) -> HTMLResponse:
    """Teams of one device or of all."""
    worst: list[Kept] = []
    with database.reading(services.engine) as connection:
        found = inventory.teams(connection, device=device or None, cursor=cursor, limit=A_PAGE)
        count = sum(tally.open_findings(connection).values())
        for severity in reversed(SEVERITY_ORDER) if count and cursor is None else ():
            asked = Filters(device=device or None, state="open", severities=(str(severity),))
            worst += findings.listing(connection, asked, limit=MOST_OPEN).items
    told = {
        "here": "teams",
        "live": "teams",
        "device": device,
        "open": [(one.finding, _sentence(one)) for one in worst[:MOST_OPEN]],
        "devices": [(name, list(teams)) for name, teams in groupby(found.items, lambda team: team.device)],
        "next": found.cursor,
    }
    return page(request, viewer, "teams.html", told)


def _sentence(kept: Kept) -> str:
    return text_of(kept.finding, "unverified" if kept.finding.unverified else "raised").splitlines()[0]
