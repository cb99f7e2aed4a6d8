"""GET /v1/week: what seven whole days came to, as JSON, CSV or PDF."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Annotated, Any, Literal
from weakref import WeakKeyDictionary

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import JSONResponse
from sqlalchemy import Engine

from service.evaluation import weekly
from service.reports.paper import Paper
from service.reports.printed import pdf
from service.reports.tabled import comma_separated
from service.reports.weekly import paper
from service.rules.weekly.week import Week
from service.storage import database
from service.terms import DIRECTIONS
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY, Instant, milliseconds
from service.web.services import Served, Services
from service.webhooks.fields import instant

MEDIA_TYPES = {"json": "application/json", "csv": "text/csv; charset=utf-8; header=present", "pdf": "application/pdf"}
ANEW_EVERY_MS = 600_000
"""Names and methods may change though no day is made."""
# The week that was asked for last: of 20,000 teams it takes seconds to read, and it changes once a day.
_kept: WeakKeyDictionary[Engine, tuple[tuple[int, ...], Week]] = WeakKeyDictionary()
_FILES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The week",
        "content": {
            "application/json": {"schema": {"type": "object"}},
            "text/csv": {"schema": {"type": "string"}},
            "application/pdf": {"schema": {"type": "string", "format": "binary"}},
        },
    }
}
router = APIRouter(prefix="/v1", tags=["week"], dependencies=[KNOWN_ONLY], default_response_class=Response)
Form = Literal["json", "csv", "pdf"]


@router.get("/week", summary="Show a week", responses=_FILES)
def of_all(
    request: Request,
    services: Served,
    _caller: Annotated[Caller, Depends(needs(VIEW))],
    until: Instant = None,
    form: Annotated[Form, Query(alias="format", description="JSON, CSV as RFC 4180 has it, or PDF")] = "json",
) -> Response:
    """The seven whole days in UTC that end at the last midnight by `until`, now by default; same week, same octets."""
    return answer(found(services, milliseconds("until", until)), form, base_of(request))


def found(services: Services, until_ms: int | None) -> Week:
    """The week that ends at the last midnight by then."""
    now_ms = services.now_ms()
    until_ms = now_ms if until_ms is None else until_ms
    with database.reading(services.engine) as connection:
        state = (*weekly.state(connection, until_ms), now_ms // ANEW_EVERY_MS)
        kept = _kept.get(services.engine)
        if kept is None or kept[0] != state:
            kept = state, weekly.week(connection, services.policy, until_ms)
            _kept[services.engine] = kept
    return kept[1]


def base_of(request: Request) -> str:
    """Where we are reached, as whoever asks reached us."""
    return str(request.base_url).rstrip("/")


def answer(week: Week, form: Form, base: str = "") -> Response:
    """A week in one of its forms; `base` is put before addresses in files."""
    if form == "json":
        return JSONResponse(told(week))
    octets = pdf(paper(week), base) if form == "pdf" else comma_separated(paper(week), bounds(week), base)
    name = f"week-{bounds(week)[1][:10]}.{form}"
    return Response(
        octets, media_type=MEDIA_TYPES[form], headers={"content-disposition": f'attachment; filename="{name}"'}
    )


def bounds(week: Week) -> tuple[str, str]:
    """Both ends as RFC 3339."""
    return instant(week.from_ms) or "", instant(week.to_ms) or ""


def told(week: Week) -> dict[str, Any]:
    """The week for programs: numbers whole, unknown null; and the words of the report."""
    whole = _known(asdict(week))
    del whole["from_ms"], whole["to_ms"]
    begun, ended = bounds(week)
    return {
        "from": begun,
        "to": ended,
        **whole,
        "gbit_hours": week.gbit_hours,
        "mismatched": week.mismatched,
        **_words(paper(week)),
    }


def _words(one: Paper) -> dict[str, Any]:
    figures = [
        {"part": part, "about": about, "figure": name, "value": cell.number, "unit": cell.unit, "words": cell.text}
        for part, about, name, cell in one.numbers()
    ]
    return {"sentences": one.sentences, "figures": figures}


def _known(value: Any) -> Any:
    if isinstance(value, dict):
        named = {name: _known(one) for name, one in value.items()}
        return _spelt(named)
    if isinstance(value, list | tuple):
        return [_known(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _spelt(named: dict[str, Any]) -> dict[str, Any]:
    """Directions in words, instants as RFC 3339."""
    if "direction" in named:
        named["direction"] = DIRECTIONS[named["direction"]]
    if "busy_ms" in named:
        named["busy_from"] = instant(named.pop("busy_ms"))
    return named
