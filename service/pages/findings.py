"""GET /: what stands open, the worst first, and louder still, what cannot be seen."""

from __future__ import annotations

from fastapi import Request
from fastapi.responses import HTMLResponse

from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.web.services import Served

router = routing.router()


@router.get("/")
def listing(request: Request, services: Served, viewer: Watching) -> HTMLResponse:
    """What stands open, the worst first."""
    told = {"here": "findings", "live": "findings", "now_ms": services.now_ms()}
    return page(request, viewer, "findings.html", told)
