"""GET /sources: who is not heard first, then who is heard less well than asked for; the calm in one line each."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import Query, Request
from fastapi.responses import HTMLResponse

from service.evaluation.minding import Sought, roll
from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import cursors, database
from service.web.parameters import Cursor
from service.web.services import Served

A_PAGE, MOST_WORDS = 100, 6

router = routing.router()


@router.get("/sources")
def listing(
    request: Request,
    services: Served,
    viewer: Watching,
    words: Annotated[str, Query(max_length=255)] = "",
    cursor: Cursor = None,
) -> HTMLResponse:
    """Sources, a page at a time, those first that need minding."""
    now_ms = services.now_ms()
    sought = Sought(tuple(words.split()[:MOST_WORDS]), _place(cursor))
    with database.reading(services.engine) as connection:
        found = roll(connection, services.policy.waits_ms, now_ms, sought, A_PAGE + 1)
    some = cursors.page(found.some, A_PAGE, [one.place for one in found.some])
    more = f"/sources?{urlencode({'words': words, 'cursor': some.cursor})}" if some.cursor else ""
    told = {"here": "sources", "live": "sources", "now_ms": now_ms, "counts": found.counts, "rows": some.items}
    return page(request, viewer, "sources.html", {**told, "words": words, "more": more, "first": cursor is None})


def _place(cursor: str | None) -> tuple[int, str] | None:
    if cursor is None:
        return None
    rank, device = cursors.read(cursor, int, str)
    return int(rank), str(device)
