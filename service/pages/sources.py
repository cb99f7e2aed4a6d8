"""GET /sources: who is not heard first, then who is heard less well than asked for; the calm in one line each."""

from __future__ import annotations

from fastapi import Request
from fastapi.responses import HTMLResponse

from service.evaluation.listening import BLIND, Standing, counted, standings
from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import cursors, database
from service.storage.listening import Pulse
from service.web.parameters import Cursor
from service.web.services import Served

A_PAGE = 100

router = routing.router()


@router.get("/sources")
def listing(request: Request, services: Served, viewer: Watching, cursor: Cursor = None) -> HTMLResponse:
    """Sources, a page at a time, the silent first."""
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        known = standings(connection, services.policy.waits_ms, now_ms)
    counts = counted([stands for _, stands in known])
    ordered = sorted((_rank(*one), one[0].device, one) for one in known)
    if cursor is not None:
        after = tuple(cursors.read(cursor, int, str))
        ordered = [one for one in ordered if one[:2] > after]
    some = ordered[: A_PAGE + 1]
    found = cursors.page(some, A_PAGE, [one[:2] for one in some])
    rows = [(rank, pulse, stands) for rank, _, (pulse, stands) in found.items]
    told = {"here": "sources", "live": "sources", "now_ms": now_ms, "counts": counts, "next": found.cursor}
    return page(request, viewer, "sources.html", {**told, "rows": rows})


def _rank(pulse: Pulse, stands: Standing) -> int:
    """0 for what is not heard, 1 for what is polled less often than asked for or has trouble, 2 for clear text."""
    if stands.state in BLIND:
        return 0
    if pulse.trouble or (pulse.asked_every_ms or 0) > (pulse.usual_ms or pulse.asked_every_ms or 0):
        return 1
    return 2 if pulse.clear_text else 3
