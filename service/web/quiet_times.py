"""Quiet times: announced maintenance, while which messages about some teams wait; measuring goes on."""

from __future__ import annotations

import secrets
from datetime import datetime
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from sqlalchemy import Connection

from service.errors import WrongQuestion
from service.storage import audit, database, quiet_times
from service.terms import QuietTime
from service.web import quiet_models as models
from service.web.access import OPERATE, VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY
from service.web.services import Served, Services
from service.webhooks import quiet
from service.webhooks.fields import instant

router = APIRouter(prefix="/v1/quiet-times", tags=["quiet times"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]
Operator = Annotated[Caller, Depends(needs(OPERATE))]


@router.get("", summary="List quiet times", response_model=models.QuietTimes)
def listing(services: Served, _caller: Viewer) -> dict[str, Any]:
    """Those that nobody ended, the first made first, then the last ones that somebody ended."""
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        found = (*quiet_times.standing(connection), *quiet_times.ended(connection))
    return {"items": [told(one, now_ms) for one in found]}


@router.post("", summary="Announce a quiet time", status_code=HTTPStatus.CREATED, response_model=models.QuietTime)
def announce(services: Served, caller: Operator, said: models.NewQuietTime) -> dict[str, Any]:
    """Hold messages about some teams from `begins` on, once or again and again (RRULE of RFC 5545); 7 days at most.

    What is still open at its end is told then, with since when; what began and ended within it is told to nobody and
    stays in the lists and the week.
    """
    made = announced(services, said, caller.name)
    return told(made, services.now_ms())


@router.delete("/{quiet_id}", summary="End a quiet time", response_model=models.QuietTime)
def end(services: Served, caller: Operator, quiet_id: str) -> dict[str, Any]:
    """End it for good, at once where it lasts: what it held is told within seconds."""
    return told(ended(services, quiet_id, caller.name), services.now_ms())


def ended(services: Services, quiet_id: str, who: str) -> QuietTime:
    """End a quiet time that stands, in somebody's name."""
    now_ms = services.now_ms()

    def work(connection: Connection) -> QuietTime:
        quiet_times.end(connection, quiet_id, now_ms)
        audit.note(connection, now_ms, who, "quiet-time.end", quiet_id)
        return quiet_times.one(connection, quiet_id)

    return database.retried(services.engine, work)


def announced(services: Services, said: models.NewQuietTime, who: str) -> QuietTime:
    """Keep a quiet time that somebody announces, once it is checked."""
    now_ms = services.now_ms()
    made = quiet.check(
        QuietTime(
            id=f"q{secrets.token_hex(10)}",
            begins=_by_the_clock(said.begins),
            minutes=said.minutes,
            zone=said.zone,
            recurrence=said.recurrence,
            devices=tuple(said.devices),
            teams=tuple(said.teams),
            sites=tuple(said.sites),
            because=said.because,
            set_by=who,
            created_ms=now_ms,
        )
    )

    def work(connection: Connection) -> None:
        quiet_times.add(connection, made)
        audit.note(connection, now_ms, who, "quiet-time.announce", made.id, _noted(made))

    database.retried(services.engine, work)
    return made


def told(one: QuietTime, now_ms: int) -> dict[str, Any]:
    """A quiet time as it is listed."""
    until_ms = quiet.until(one, now_ms)
    return {
        **_noted(one),
        "id": one.id,
        "because": one.because,
        "set_by": one.set_by,
        "created_at": instant(one.created_ms),
        "ended_at": instant(one.ended_ms),
        "lasts_until": instant(until_ms),
        "next_begins_at": instant(quiet.upcoming(one, now_ms)),
    }


def _noted(one: QuietTime) -> dict[str, Any]:
    return {
        "begins": one.begins.isoformat(timespec="seconds"),
        "minutes": one.minutes,
        "zone": one.zone,
        "recurrence": one.recurrence,
        "devices": list(one.devices),
        "teams": list(one.teams),
        "sites": list(one.sites),
    }


def _by_the_clock(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise WrongQuestion("begins", f"{text!r} is no date and time, as in 2026-11-24T22:00") from None
    if at.tzinfo is not None:
        raise WrongQuestion("begins", "is on the clock of `zone`; leave the offset out")
    return at
