"""GET /week: the report of a week, and its files."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query, Request, Response
from fastapi.responses import HTMLResponse

from service.evaluation.weekly import FIRST_MS
from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.reports import weekly
from service.rules.weekly.week import DAY_MS, DAYS, Week
from service.web import week as asked
from service.web.parameters import Instant, milliseconds
from service.web.services import Served

router = routing.router()


@router.get("/week")
def of_all(request: Request, services: Served, viewer: Watching, until: Instant = None) -> HTMLResponse:
    """The seven whole days that end at the last midnight by `until`, now by default."""
    week = asked.found(services, milliseconds("until", until))
    told = {"here": "week", "live": "week", "paper": weekly.paper(week), "beside": _beside(week, services.now_ms())}
    return page(request, viewer, "week.html", told)


@router.get("/week/file")
def as_file(
    request: Request,
    services: Served,
    _viewer: Watching,
    until: Instant = None,
    form: Annotated[asked.Form, Query(alias="format")] = "pdf",
) -> Response:
    """The same week as a file."""
    return asked.answer(asked.found(services, milliseconds("until", until)), form, asked.base_of(request))


def _beside(week: Week, now_ms: int) -> list[tuple[str, str]]:
    """The weeks beside it, as far as there are any, and its files."""
    file = weekly.address(week).replace("/week?", "/week/file?")
    links = [("The week before", weekly.address(week, -DAYS))] if week.to_ms > FIRST_MS else []
    days_since = (now_ms - week.to_ms) // DAY_MS
    if days_since > 0:
        links.append(("The week after", weekly.address(week, min(DAYS, days_since))))
    return [*links, *((f"This week as {form.upper()}", f"{file}&format={form}") for form in ("pdf", "csv", "json"))]
