"""GET /quiet: when messages wait and about whom; and the forms that announce such a time and end it."""

from __future__ import annotations

from typing import Any

from fastapi import Request, Response
from fastapi.responses import HTMLResponse
from pydantic import ValidationError
from sqlalchemy import Connection

from service.errors import UnusableForm, WrongQuestion, WrongState
from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Deed, Doing, Viewer, Watching
from service.storage import database, quiet_times
from service.terms import QuietTime
from service.web import quiet_times as web_quiet
from service.web.access import OPERATE
from service.web.quiet_models import NewQuietTime
from service.web.refusals import status_of
from service.web.services import Served, Services
from service.webhooks import quiet

TEXTS = ("begins", "minutes", "zone", "recurrence", "because")
LISTS = ("devices", "teams", "sites")
USUAL = {"minutes": "60", "zone": "UTC"}

router = routing.router()


@router.get("/quiet")
def listing(request: Request, services: Served, viewer: Watching) -> HTMLResponse:
    """Those that last and that are to come, and the form for another."""
    return _page(request, services, viewer, {**dict.fromkeys((*TEXTS, *LISTS), ""), **USUAL})


@router.post("/quiet/new")
def announce(request: Request, services: Served, deed: Doing) -> Response:
    """Announce one; where it is refused nothing typed is lost."""
    try:
        web_quiet.announced(services, _asked(deed), deed.viewer.caller.name)
    except (WrongQuestion, WrongState) as refused:
        typed = {name: deed.text(name) for name in (*TEXTS, *LISTS)}
        return _page(request, services, deed.viewer, typed, str(refused), status_of(refused))
    return routing.done("/quiet")


@router.post("/quiet/{quiet_id}/end")
def end(services: Served, deed: Doing, quiet_id: str) -> Response:
    """End one for good."""
    web_quiet.ended(services, quiet_id, deed.viewer.caller.name)
    return routing.done("/quiet")


def lasting(connection: Connection, now_ms: int) -> list[tuple[QuietTime, int]]:
    """The quiet times that last now, each with its end."""
    times = quiet_times.standing(connection)
    return [(one, until_ms) for one in times if (until_ms := quiet.until(one, now_ms)) is not None]


def about(one: QuietTime) -> str:
    """Whom a quiet time is about, in words."""
    told = ((one.devices, "devices"), (one.teams, "teams"), (one.sites, "sites"))
    return "; ".join(f"{name} {', '.join(patterns)}" for patterns, name in told if patterns)


def _page(  # noqa: PLR0913, PLR0917  # what is shown, to whom, and what was typed
    request: Request,
    services: Services,
    viewer: Viewer,
    typed: dict[str, str],
    detail: str = "",
    status: int = 200,
) -> HTMLResponse:
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        standing, ended = quiet_times.standing(connection), quiet_times.ended(connection)
    told: dict[str, Any] = {
        "here": "quiet",
        "typed": typed,
        "detail": detail,
        "may": viewer.may(OPERATE),
        "now_ms": now_ms,
        "standing": [(one, quiet.until(one, now_ms), quiet.upcoming(one, now_ms)) for one in standing],
        "ended": ended,
        "about": about,
        "most_minutes": quiet.MOST_MINUTES,
    }
    return page(request, viewer, "quiet.html", told, status)


def _asked(deed: Deed) -> NewQuietTime:
    """The form in the shape in which a program would tell it, checked the same way."""
    minutes = deed.text("minutes")
    if not (minutes.isascii() and minutes.isdecimal()) or len(minutes) > len(str(quiet.MOST_MINUTES)):
        raise UnusableForm(f"is a whole number from 1 to {quiet.MOST_MINUTES}", "minutes")
    patterns = {name: [one for line in deed.text(name).splitlines() if (one := line.strip())] for name in LISTS}
    texts = {name: deed.text(name) for name in ("begins", "zone", "recurrence", "because")}
    try:
        return NewQuietTime.model_validate({**texts, **patterns, "minutes": int(minutes)})
    except ValidationError as wrong:
        first = wrong.errors()[0]
        raise UnusableForm(first["msg"], ".".join(map(str, first["loc"]))) from wrong
