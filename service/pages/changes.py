"""Changes that people made: the list, one with what came of it, and the form that records one at a team or at many."""

from __future__ import annotations

import secrets
from typing import Annotated, Any

from fastapi import Query, Request, Response
from fastapi.responses import HTMLResponse
from pydantic import ValidationError
from sqlalchemy import Connection

from service.errors import NotFound, UnusableForm, WrongQuestion, WrongState
from service.evaluation import foretelling, recording
from service.evaluation.recording import CHANGE_KINDS, FORETOLD_MS, MOST_TEAMS
from service.pages import routing
from service.pages.acts import whole_instant
from service.pages.rendering import page
from service.pages.viewers import Deed, Doing, Watching
from service.storage import changes, database, inventory, predictions
from service.terms import Prediction
from service.web import acts
from service.web import changes as web_changes
from service.web.access import OPERATE
from service.web.change_forms import ChangedTeam, NewChange
from service.web.parameters import MOST_ID, Cursor
from service.web.refusals import status_of
from service.web.services import Served
from service.webhooks.fields import instant

A_PAGE = 25
TEXTS = ("at", "what", "who", "reference", "kind", "settle", "teams", "request")
Teams = Annotated[list[Annotated[int, Query(ge=1, le=MOST_ID)]] | None, Query(max_length=MOST_TEAMS)]

router = routing.router()


@router.get("/changes")
def listing(request: Request, services: Served, viewer: Watching, cursor: Cursor = None) -> HTMLResponse:
    """Changes, the last made first, with how what was foretold came true."""
    found = web_changes.listing(services, viewer.caller, limit=A_PAGE, cursor=cursor)
    with database.reading(services.engine) as connection:
        named = changes.named(connection, [one["id"] for one in found["items"]])
        score = foretelling.score_of(connection)
    told = {"here": "changes", "live": "changes", "found": found, "named": named, "score": score}
    return page(request, viewer, "changes.html", {**told, "may": viewer.may(OPERATE)})


@router.get("/changes/new")
def new(request: Request, services: Served, viewer: Watching, team: Teams = None) -> HTMLResponse:
    """The form that records a change; its name for the request makes that twice is once."""
    with database.reading(services.engine) as connection:
        teams = [inventory.team(connection, team_id) for team_id in team or ()]
        foretold = _free(connection, team or [], services.now_ms())
    names = [f"{one.device}/{one.name}" for one in teams]
    typed = dict.fromkeys(TEXTS, "") | {"teams": "\n".join(names), "request": secrets.token_hex(16), "settle": "300"}
    told = _form(typed) | {"foretold": [(one, names[(team or []).index(one.team_id)]) for one in foretold]}
    return page(request, viewer, "change_new.html", told | {"may": viewer.may(OPERATE)})


@router.post("/changes/new")
def record(request: Request, services: Served, deed: Doing) -> Response:
    """Record it; sent again it is not recorded again, and where it is refused nothing typed is lost."""
    caller = deed.viewer.caller
    if (known := _known(services, deed)) is not None:
        return routing.done(f"/changes/{known}")
    try:
        said = web_changes.said(_asked(deed, services.now_ms()), caller)
        done = recording.record(services.engine, said, caller.name, services.policy, services.now_ms())
    except (WrongQuestion, WrongState, NotFound) as refused:
        if (known := _known(services, deed)) is not None:  # sent twice at once
            return routing.done(f"/changes/{known}")
        typed = {name: deed.text(name) for name in TEXTS}
        told = _form(typed) | {"foretold": [], "may": True, "detail": str(refused)}
        return page(request, deed.viewer, "change_new.html", told, status_of(refused))
    return routing.done(f"/changes/{done.change.id}")


@router.get("/changes/{change_id}")
def one(request: Request, services: Served, viewer: Watching, change_id: str) -> HTMLResponse:
    """One change: what it is compared with, what was foretold, and what came of it."""
    with database.reading(services.engine) as connection:
        shown = web_changes.shown(connection, changes.one(connection, change_id))
    told = {"here": "changes", "live": f"change:{change_id}", "change": shown}
    return page(request, viewer, "change.html", told)


def _form(typed: dict[str, str]) -> dict[str, Any]:
    return {"here": "changes", "typed": typed, "kinds": CHANGE_KINDS, "most": MOST_TEAMS, "detail": ""}


def _known(services: Served, deed: Deed) -> str | None:
    if not deed.text("request"):
        return None
    with database.reading(services.engine) as connection:
        return changes.recorded(connection, deed.viewer.caller.name, deed.text("request"))


def _free(connection: Connection, team_ids: list[int], now_ms: int) -> list[Prediction]:
    """What was foretold of these teams and is held against no change yet, the last made first."""
    made = predictions.before(connection, team_ids, now_ms - FORETOLD_MS, now_ms) if team_ids else []
    taken = predictions.taken(connection, [one.id for one in made])
    return [one for one in made if one.id not in taken]


def _asked(deed: Deed, now_ms: int) -> NewChange:
    """The form in the shape in which a program would tell it, checked the same way."""
    at, settle = deed.text("at"), deed.text("settle") or "300"
    if not (settle.isascii() and settle.isdecimal()) or len(settle) > len("86400"):
        raise UnusableForm("is a whole number of seconds up to 86400", "settle")
    try:
        told = {
            "at": whole_instant(at) if at else instant(now_ms),
            "what": deed.text("what"),
            "teams": [_team(line) for line in deed.text("teams").splitlines() if line.strip()],
            "who": acts.named(deed.viewer.caller, deed.text("who") or None),
            "reference": deed.text("reference"),
            "kind": deed.text("kind") or "other",
            "settle_seconds": int(settle),
            "request": deed.text("request"),
        }
        return NewChange.model_validate(told)
    except ValidationError as wrong:
        first = wrong.errors()[0]
        raise UnusableForm(first["msg"], ".".join(map(str, first["loc"]))) from wrong


def _team(line: str) -> ChangedTeam:
    device, slash, team = line.strip().partition("/")
    if not slash:
        raise UnusableForm(f"write device/team, one a line, not {line.strip()[:60]!r}", "teams")
    return ChangedTeam(device=device, team=team)
