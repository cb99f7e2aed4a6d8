"""GET /teams/{id}/working: where the figure of one member in one window comes from, and the form that asks for one."""

from __future__ import annotations

import re
from http import HTTPStatus
from typing import Annotated, Any, get_args
from urllib.parse import urlencode

from fastapi import Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from service.errors import NotFound, WrongQuestion
from service.pages import filled
from service.pages.rendering import page
from service.pages.steps import clock, steps
from service.pages.viewers import Watching
from service.storage import database, inventory
from service.storage.inventory import Team
from service.terms import DIRECTIONS
from service.web.measured import Working
from service.web.models import Direction
from service.web.parameters import Id, milliseconds
from service.web.refusals import status_of
from service.web.services import Served, Services
from service.web.working import DATES_MS, shown
from service.webhooks.fields import instant

Typed = Annotated[str, Query(max_length=255)]
# As pages and people write it: without a zone it is UTC, like all times here.
WRITTEN = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d)(:\d\d(?:\.\d+)?)?(?: ?(?:UTC|[Zz]))?", re.ASCII)

router = filled.router()


@router.get("/teams/{team_id}/working")
def working(  # noqa: PLR0913, PLR0917  # each field of the form by its name
    request: Request,
    services: Served,
    viewer: Watching,
    team_id: Id,
    port: Typed = "",
    direction: Typed = "",
    start: Typed = "",
) -> HTMLResponse:
    """The steps behind a figure, worked out anew as REST does; or the form, and what is wrong with what it says."""
    typed = {"port": port, "direction": direction, "start": start}
    found: Working | None = None
    wrong: WrongQuestion | NotFound | None = None
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        try:
            found = _asked(connection, services, team, typed) if any(typed.values()) else None
        except (WrongQuestion, NotFound) as refused:
            wrong = refused
    usual = {"here": "teams", "team": team, "typed": _usual(team, services, typed), "directions": DIRECTIONS}
    more = _shown(found, team_id, services) if found else {}
    told = {**usual, "found": found, "wrong": str(wrong or ""), **more}
    return page(request, viewer, "working.html", told, status_of(wrong) if wrong else HTTPStatus.OK)


def _asked(connection: Connection, services: Services, team: Team, typed: dict[str, str]) -> Working:
    if not typed["port"]:
        raise WrongQuestion("port", f"choose one of {', '.join(team.members)}")
    way: Direction | None = next((one for one in get_args(Direction) if one == typed["direction"]), None)
    if way is None:
        raise WrongQuestion("direction", f"choose {' or '.join(DIRECTIONS)}")
    start_ms = _window_ms(typed["start"], services.policy.width_ms)
    return shown(connection, services.policy, team.id, (typed["port"], way, start_ms), services.now_ms())


def _window_ms(text: str, width_ms: int) -> int:
    """When the window begins that holds an instant."""
    if not text:
        raise WrongQuestion("start", "say when the window begins, as 2026-11-25 10:00:00 in UTC")
    plain = WRITTEN.fullmatch(text)
    told = milliseconds("start", f"{plain[1]}T{plain[2]}{plain[3] or ':00'}Z" if plain else text)
    return (told or 0) // width_ms * width_ms


def _usual(team: Team, services: Services, typed: dict[str, str]) -> dict[str, str]:
    """What the form holds: what was typed, else the last decided window of the first member."""
    last_ms = (team.decided_ms or services.now_ms()) - services.policy.width_ms
    usual = {"port": "", "direction": DIRECTIONS[0], "start": _written(last_ms)}
    return {name: text or usual[name] for name, text in typed.items()}


def _written(at_ms: int) -> str:
    return (instant(at_ms // 1000 * 1000) or "").replace("T", " ").removesuffix("Z")


def _shown(found: Working, team_id: int, services: Services) -> dict[str, Any]:
    begun_ms = milliseconds("start", found.start.isoformat()) or 0
    typed = {"port": found.port, "direction": found.direction, "start": _written(begun_ms)}
    beside = _beside(found, team_id, (begun_ms, services.policy.width_ms))
    return {"steps": steps(found), "clock": clock, "beside": beside, "typed": typed}


def _beside(found: Working, team_id: int, window: tuple[int, int]) -> list[tuple[str, str]]:
    """Where else to look: the windows before and after, and the other direction."""
    begun_ms, width_ms = window
    other = next(one for one in DIRECTIONS if one != found.direction)
    beside = (
        ("Window before", found.direction, begun_ms - width_ms),
        ("Window after", found.direction, begun_ms + width_ms),
        (f"Same window, {other}", other, begun_ms),
    )
    return [(words, address(team_id, found.port, way, at)) for words, way, at in beside if at in DATES_MS]


def address(team_id: int, port: str, direction: str, start_ms: int) -> str:
    """Where a figure is worked out."""
    place = {"port": port, "direction": direction, "start": instant(start_ms)}
    return f"/teams/{team_id}/working?{urlencode(place)}"
