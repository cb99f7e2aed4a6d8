"""GET and POST /sign-in, POST /sign-out: a key typed once, and a cookie for half a day instead of it."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from http import HTTPStatus
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Depends, Query, Request, Response
from fastapi.responses import HTMLResponse

from service.errors import Overloaded
from service.pages import routing
from service.pages.rendering import keep_cookie, page
from service.pages.viewers import COOKIE, Deed, acts, fields_of_ours, token_of
from service.storage import audit, database, keys, sessions
from service.web.access import VIEW
from service.web.services import Served, Services

LASTS_MS = 12 * 3_600_000
MOST_FAILURES, WITHIN_MS, MOST_PLACES = 10, 60_000, 10_000
WRONG = "This key is unknown, revoked or has run out; make one with: lopside key new"

router = routing.router()


class Failures:
    """Who failed how often of late; a wrong key costs whoever tries many of them the rest of a minute."""

    def __init__(self) -> None:
        self._at_ms: OrderedDict[str, list[int]] = OrderedDict()
        self._lock = threading.Lock()

    def refuse_many(self, place: str, now_ms: int) -> None:
        """Overloaded where there were too many failures from a place within a minute."""
        with self._lock:
            recent = [at_ms for at_ms in self._at_ms.get(place, ()) if at_ms > now_ms - WITHIN_MS]
            if len(recent) >= MOST_FAILURES:
                raise Overloaded("wrong keys from one place within a minute", MOST_FAILURES)

    def note(self, place: str, now_ms: int) -> None:
        """Count one; the place that failed longest ago is forgotten where there are too many places."""
        with self._lock:
            recent = [at_ms for at_ms in self._at_ms.pop(place, ()) if at_ms > now_ms - WITHIN_MS]
            self._at_ms[place] = [*recent, now_ms]
            if len(self._at_ms) > MOST_PLACES:
                self._at_ms.popitem(last=False)


@router.get("/sign-in")
def form(request: Request, to: Annotated[str, Query(max_length=2000)] = "/") -> HTMLResponse:
    """Where a key is typed."""
    return _form(request, local(to))


@router.post("/sign-in")
def sign_in(
    request: Request, services: Served, fields: Annotated[dict[str, list[str]], Depends(fields_of_ours)]
) -> Response:
    """Begin a session of the key that was typed; its cookie is a new one, whatever the browser held before."""
    now_ms, place = services.now_ms(), request.client.host if request.client else ""
    failures: Failures = request.app.state.failures
    failures.refuse_many(place, now_ms)
    to, typed = (fields.get(name, [""])[-1].strip() for name in ("to", "key"))
    cookie = _begun(services, typed, now_ms, place)
    if cookie is None:
        failures.note(place, now_ms)
        return _form(request, local(to), WRONG, HTTPStatus.FORBIDDEN)
    answer = routing.done(local(to))
    keep_cookie(request, answer, cookie, LASTS_MS // 1000)
    return answer


@router.post("/sign-out")
def sign_out(services: Served, deed: Annotated[Deed, Depends(acts(VIEW))]) -> Response:
    """End the session of this browser."""
    with services.engine.begin() as connection:
        sessions.end(connection, deed.viewer.cookie)
        audit.note(connection, services.now_ms(), deed.viewer.caller.name, "session.end", deed.viewer.caller.name)
    answer = routing.done("/sign-in")
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return answer


def local(to: str) -> str:
    """An address of ours, whatever was asked for: browsers take a backslash for a slash and skip control characters."""
    try:
        parts = urlsplit(to)
    except ValueError:
        return "/"
    foreign = parts.scheme or parts.netloc or not to.startswith("/") or to.startswith("//")
    return "/" if foreign or "\\" in to or not to.isprintable() else to


def _begun(services: Services, secret: str, now_ms: int, place: str) -> str | None:
    with database.reading(services.engine) as connection:
        key = keys.find(connection, secret, now_ms) if secret else None
    if key is None:
        with services.engine.begin() as connection:
            audit.note(connection, now_ms, "nobody", "session.refused", place)
        return None
    until_ms = min(now_ms + LASTS_MS, key.expires_ms or now_ms + LASTS_MS)
    with services.engine.begin() as connection:
        audit.note(connection, now_ms, key.name, "session.begin", key.name, {"from": place})
        return sessions.begin(connection, key, now_ms, until_ms)


def _form(request: Request, to: str, trouble: str = "", status: HTTPStatus = HTTPStatus.OK) -> HTMLResponse:
    held = request.cookies.get(COOKIE, "")
    cookie = held or secrets.token_urlsafe(32)
    told = {"to": to, "trouble": trouble, "token": token_of(cookie)}
    answer = page(request, None, "sign_in.html", told, status)
    if not held:
        keep_cookie(request, answer, cookie)
    return answer
