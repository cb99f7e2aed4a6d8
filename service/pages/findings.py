"""GET /: what stands open, the worst first, and louder still, what cannot be seen."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, get_args
from urllib.parse import urlencode

from fastapi import Depends, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from service.errors import WrongQuestion
from service.pages import listed, quiet, routing, seen
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import cursors, database, deliveries, findings, tally
from service.storage.findings import OPERATOR_STATES, STATES, Filters, Kept
from service.terms import SEVERITY_ORDER
from service.web.models import KindWord
from service.web.parameters import Cursor
from service.web.services import Served

MOST_SHOWN = 50
LATELY_MS = 24 * 3_600_000
ANY = "any"

router = routing.router()


Typed = Annotated[str, Query(max_length=255)]
CHOICES = {
    "state": (*STATES, ANY),
    "severity": tuple(str(one) for one in reversed(SEVERITY_ORDER)),
    "kind": get_args(KindWord),
    "operator_state": OPERATOR_STATES,
}


def typed(  # noqa: PLR0913, PLR0917  # each field of the form by its name
    device: Typed = "",
    team: Typed = "",
    kind: Typed = "",
    severity: Typed = "",
    state: Typed = "",
    operator_state: Typed = "",
) -> dict[str, str]:
    """What the form asks for: a browser sends a field that was left alone as an empty one."""
    told = {"device": device, "team": team, "kind": kind, "severity": severity, "state": state}
    asked = {name: text.strip() for name, text in {**told, "operator_state": operator_state}.items() if text.strip()}
    for name, words in CHOICES.items():
        if name in asked and asked[name] not in words:
            raise WrongQuestion(name, f"is one of {', '.join(words)}, not {asked[name]!r}")
    return asked


@router.get("/")
def listing(
    request: Request,
    services: Served,
    viewer: Watching,
    asked: Annotated[dict[str, str], Depends(typed)],
    cursor: Cursor = None,
) -> HTMLResponse:
    """What stands open, the worst first, and what was cleared lately; or what the form asks for."""
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        shown = {
            **seen.seen(connection, services, now_ms),
            "failing": deliveries.failing(connection, now_ms),
            "quiet": [(quiet.about(one), until_ms) for one, until_ms in quiet.lasting(connection, now_ms)],
            **(_as_asked(connection, asked, cursor) if asked else _standing(connection, cursor)),
            **({} if asked or cursor else _lately(connection, now_ms - LATELY_MS)),
        }
    told = {"here": "findings", "live": "findings", "now_ms": now_ms, "asked": asked, "choices": CHOICES, "lately": []}
    return page(request, viewer, "findings.html", {**told, **shown})


def _standing(connection: Connection, cursor: str | None) -> dict[str, Any]:
    """What stands open; findings of single teams are folded under the one about many teams that they are part of."""
    count = sum(tally.open_findings(connection).values())
    wanted = Filters(state="open", part_of="")
    worst, following = _worst(connection, wanted, cursor) if count or cursor else ([], None)
    lines = listed.folded(connection, worst)
    return {**_counted(connection, count), "lines": lines, "more": _more({}, following)}


def _as_asked(connection: Connection, asked: dict[str, str], cursor: str | None) -> dict[str, Any]:
    """What the form asks for, each for itself."""
    state = asked.get("state", "open")
    wanted = Filters(
        device=asked.get("device"),
        team=asked.get("team"),
        kinds=(asked["kind"],) if "kind" in asked else None,
        severities=(asked["severity"],) if "severity" in asked else None,
        state=None if state == ANY else state,
        operator_state=asked.get("operator_state"),
    )
    worst, following = _worst(connection, wanted, cursor)
    count = sum(tally.open_findings(connection).values())
    return {**_counted(connection, count), "lines": listed.flat(worst), "more": _more(asked, following)}


def _counted(connection: Connection, count: int) -> dict[str, int]:
    return {"open_count": count, "open_parts": tally.open_parts(connection) if count else 0}


def _lately(connection: Connection, since_ms: int) -> dict[str, Any]:
    """What was cleared lately, the last first, folded as the open ones are."""
    some, count = findings.cleared_since(connection, since_ms, MOST_SHOWN)
    return {"lately": listed.folded(connection, some), "lately_count": count}


def _more(asked: dict[str, str], following: str | None) -> str:
    return f"/?{urlencode({**asked, 'cursor': following})}" if following else ""


def _worst(connection: Connection, wanted: Filters, cursor: str | None) -> tuple[list[Kept], str | None]:
    """A page, severity after severity, the newest first within each; its cursor names the severity and the place."""
    place, inner = (0, "") if cursor is None else cursors.read(cursor, int, str)
    order = list(wanted.severities or CHOICES["severity"])
    if not 0 <= int(place) < len(order):
        raise WrongQuestion("cursor", "is of another list; start again without it")
    worst: list[Kept] = []
    for rank in range(int(place), len(order)):
        of_one = replace(wanted, severities=(order[rank],))
        room = MOST_SHOWN - len(worst)
        found = findings.listing(connection, of_one, str(inner) or None, limit=room or 1)
        if not room and found.items:
            return worst, cursors.written([rank, ""])
        worst += found.items
        if found.cursor:
            return worst, cursors.written([rank, found.cursor])
        inner = ""
    return worst, None
