"""Who looks at a page and what they may do: a session's cookie, a key, or this machine's own users.

A browser sends the cookie by itself, so whatever changes something asks for more: a form of our own page, shown by
a token that only such a page could hold, and a browser that does not say the form came from elsewhere.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import parse_qsl

from fastapi import Depends, Request
from starlette.concurrency import run_in_threadpool

from service.errors import CrossSite, NoKey, UnusableForm, WrongRole
from service.storage import database, sessions
from service.web.access import MAY, OPERATE, VIEW, Caller, caller_of, is_sent_by_a_page
from service.web.services import Served, Services

COOKIE = "lopside_session"
TOKEN = "token"  # noqa: S105  # the name of a field
FORM = "application/x-www-form-urlencoded"
MOST_FIELDS = 2_000
MASK = 32  # octets, as many as what it hides


@dataclass(frozen=True)
class Viewer:
    """Who looks; `cookie` is what their browser holds, `is_new` where it still has to be told."""

    caller: Caller
    cookie: str
    is_new: bool = False
    signed_in: bool = False

    @property
    def token(self) -> str:
        """What the forms of a page carry; nobody finds the cookie from it."""
        return token_of(self.cookie)

    def may(self, role: str) -> bool:
        """Whether they may do what a role may."""
        return role in MAY[self.caller.role]


@dataclass(frozen=True)
class Deed:
    """A form that somebody sent who may: its fields, each with all its values."""

    viewer: Viewer
    fields: dict[str, list[str]]

    def text(self, name: str) -> str:
        """The one value of a field without space around it, empty where it was left out."""
        return self.fields.get(name, [""])[-1].strip()


class SignInFirst(Exception):
    """Nobody knows who looks; they are shown where to sign in."""


def viewer_of(request: Request, services: Services) -> Viewer:
    """Who looks, or SignInFirst."""
    cookie = request.cookies.get(COOKIE, "")
    told = request.headers.get("authorization", "")
    if cookie and not told:
        with database.reading(services.engine) as connection:
            key = sessions.find(connection, cookie, services.now_ms())
        if key is not None:
            return Viewer(Caller(key.name, key.role, cookie), cookie, signed_in=True)
    try:
        caller = caller_of(request, services, told.removeprefix("Bearer "))
    except NoKey as unknown:
        raise SignInFirst from unknown
    return Viewer(caller, cookie or secrets.token_urlsafe(32), is_new=not cookie)


def sees(role: str = VIEW) -> Callable[[Request, Services], Viewer]:
    """A dependency: who looks, refused where they may not do what this role may."""

    def viewer(request: Request, services: Served) -> Viewer:
        who = viewer_of(request, services)
        if not who.may(role):
            raise WrongRole(who.caller.role, role)
        return who

    return viewer


def acts(role: str = OPERATE) -> Callable[[Request, Services], Awaitable[Deed]]:
    """A dependency: a form of one of our own pages, sent by somebody who may."""

    async def deed(request: Request, services: Served) -> Deed:
        fields = await fields_of_ours(request)
        viewer = await run_in_threadpool(viewer_of, request, services)
        if not viewer.may(role):
            raise WrongRole(viewer.caller.role, role)
        return Deed(viewer, fields)

    return deed


def token_of(cookie: str) -> str:
    """What forms carry that were shown to whoever holds a cookie.

    It reads otherwise each time, so that nobody who watches the size of compressed pages learns it letter by letter.
    """
    mask = secrets.token_bytes(MASK)
    return (mask + _crossed(mask, _stamp(cookie))).hex()


def is_token_of(token: str, cookie: str) -> bool:
    """Whether a form was shown to whoever holds a cookie."""
    try:
        told = bytes.fromhex(token)
    except ValueError:
        return False
    return len(told) == 2 * MASK and hmac.compare_digest(_crossed(told[:MASK], told[MASK:]), _stamp(cookie))


def _stamp(cookie: str) -> bytes:
    return hashlib.sha256(f"form\x1f{cookie}".encode()).digest()


def _crossed(one: bytes, other: bytes) -> bytes:
    return bytes(a ^ b for a, b in zip(one, other, strict=True))


async def fields_of_ours(request: Request) -> dict[str, list[str]]:
    """The fields of a form that one of our pages showed to this very browser; CrossSite for every other one."""
    if is_sent_by_a_page(request):
        raise CrossSite("a form of another site may change nothing here")
    fields = await _fields(request)
    cookie = request.cookies.get(COOKIE, "")
    if not cookie or not is_token_of(fields.get(TOKEN, [""])[-1], cookie):
        raise CrossSite("this form is from an earlier visit or from elsewhere; open the page again and repeat")
    return fields


async def _fields(request: Request) -> dict[str, list[str]]:
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != FORM:
        raise UnusableForm(f"a page sends its forms as {FORM}")
    try:
        pairs = parse_qsl((await request.body()).decode(), keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError as wrong:
        raise UnusableForm("the form could not be read") from wrong
    fields: dict[str, list[str]] = {}
    for name, value in pairs:
        fields.setdefault(name, []).append(value)
    return fields


Watching = Annotated[Viewer, Depends(sees(VIEW))]
Doing = Annotated[Deed, Depends(acts(OPERATE))]
