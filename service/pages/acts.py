"""POST /findings/{id}/{act}: what operators do on the page of a finding; a program does the same under /v1/findings."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from fastapi import Request, Response
from sqlalchemy import Connection

from service.errors import NotFound, WrongQuestion, WrongState
from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Deed, Doing
from service.storage import database
from service.web import acts
from service.web.parameters import milliseconds
from service.web.refusals import status_of
from service.web.services import Served

MONDAY, BEGIN_H = 0, 8
HOURS = 4
LOCAL_LETTERS = len("2026-11-27T08:00")

router = routing.router()

SIMPLE: dict[str, Callable[[Connection, acts.Act], None]] = {
    "ack": acts.take,
    "close": acts.close,
    "note": acts.note,
    "unshelve": acts.unshelve,
    "right": acts.mark_right,
}


@router.post("/findings/{finding_id}/{act}")
def do(request: Request, services: Served, deed: Doing, finding_id: str, act: str) -> Response:
    """Do it, then show the finding; where it is refused, say why and show what was typed."""
    now_ms = services.now_ms()
    try:
        who = acts.named(deed.viewer.caller, deed.text("who"))
        said = acts.Act(finding_id, who, now_ms, deed.text("note"))
        does, more = _wanted(act, deed, now_ms)
        database.retried(services.engine, lambda connection: does(connection, said, *more))
    except (WrongQuestion, WrongState) as refused:
        told = {
            "here": "findings",
            "detail": str(refused),
            "typed": deed.text("note"),
            "back": f"/findings/{finding_id}",
        }
        return page(request, deed.viewer, "act_refused.html", told, status_of(refused))
    return routing.done(f"/findings/{finding_id}")


def _wanted(act: str, deed: Deed, now_ms: int) -> tuple[Callable[..., None], tuple[Any, ...]]:
    """What is to be done, and what it is told besides who, when and the note."""
    if act == "shelve":
        return acts.shelve, (shelf_end(deed.text("until"), deed.text("own"), now_ms),)
    if act == "wrong":
        return acts.mark_wrong, (deed.text("cause"),)
    if act not in SIMPLE:
        raise NotFound("act", act)
    return SIMPLE[act], ()


def shelf_end(choice: str, own: str, now_ms: int) -> int:
    """When a shelf ends that was chosen on the page; days begin at 08:00 UTC, as pages tell times."""
    now = datetime.fromtimestamp(now_ms / 1000, UTC)
    begin = now.replace(hour=BEGIN_H, minute=0, second=0, microsecond=0)
    if choice == "hours":
        return now_ms + HOURS * 3_600_000
    if choice == "tomorrow":
        return _ms(begin + timedelta(days=1))
    if choice == "monday":
        return _ms(begin + timedelta(days=(MONDAY - now.weekday() - 1) % 7 + 1))
    return milliseconds("until", whole_instant(own)) or 0


def whole_instant(text: str) -> str:
    """An instant as a browser's field for date and time gives it, which knows no zone: UTC is meant."""
    return f"{text}:00Z" if len(text) == LOCAL_LETTERS else text if text[-1:] in "Zz" or "+" in text else f"{text}Z"


def _ms(moment: datetime) -> int:
    return int(moment.timestamp() * 1000)
