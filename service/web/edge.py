"""What holds for every request: how often, how large, how slow it may be; headers that a browser minds; a count."""

from __future__ import annotations

import asyncio
from http import HTTPStatus

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web.rates import caller_of
from service.web.refusals import too_often, unforeseen
from service.web.services import Services

ALWAYS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "content-security-policy": "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "cross-origin-resource-policy": "same-origin",
}
SAMPLES = "/v1/samples"
# All other bodies are a few words. They are read before anybody asks for a key, and as JSON they take a hundred
# times their size.
MOST_WORDS_OCTETS = 65_536
METHODS = frozenset(("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"))


class Edge:
    """Wraps the application."""

    def __init__(self, app: ASGIApp, services: Services) -> None:
        self._app = app
        self._services = services

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        status, most = 0, _most_octets(scope, self._services.max_body_octets)

        async def sent(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                for name, value in ALWAYS.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            await self._answer(scope, _bounded(scope, receive, most), sent)
        except ClientDisconnect:
            return  # nobody is left to be told
        except Exception as failure:
            if status:
                raise  # half an answer is out: the server cuts the connection
            await unforeseen(failure)(scope, receive, sent)
        self._services.tally.add("requests", _method_of(scope), _route_of(scope), str(status))

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        # By a clock that nobody sets: how often somebody asks is no matter of what time it is.
        wait_s = self._services.rates.wait_s(caller_of(scope), asyncio.get_running_loop().time())
        if wait_s:
            await too_often(wait_s)(scope, receive, send)
        else:
            await self._app(scope, _within(receive, self._services.body_within_s), send)


def _most_octets(scope: Scope, of_samples: int) -> int:
    return of_samples if scope["path"] == SAMPLES else min(MOST_WORDS_OCTETS, of_samples)


def _bounded(scope: Scope, receive: Receive, most: int) -> Receive:
    """Receive a body up to so many octets.

    The framework's own limit answers in plain text, past every handler, and even in place of a
    refusal for another reason.
    """
    said, seen = Headers(scope=scope).get("content-length", ""), 0

    async def received() -> Message:
        nonlocal seen
        if said.isdecimal() and int(said[:20]) > most:
            raise HTTPException(HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > most:
            raise HTTPException(HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
        return message

    return received


def _within(receive: Receive, most_s: float) -> Receive:
    """Receive a body within so many seconds: octets that drip in would hold a place open for as long as they like."""
    ends: float | None = None
    over = False

    async def received() -> Message:
        nonlocal ends, over
        if over:  # what comes now is that nobody is there any more, for which one may wait for hours
            return await receive()
        loop = asyncio.get_running_loop()
        ends = loop.time() + most_s if ends is None else ends
        try:
            async with asyncio.timeout_at(ends):
                message = await receive()
        except TimeoutError:
            raise HTTPException(HTTPStatus.REQUEST_TIMEOUT) from None
        over = not message.get("more_body", False)
        return message

    return received


def _route_of(scope: Scope) -> str:
    """The path as it is declared: few, whatever anybody asks for."""
    return str(getattr(scope.get("route"), "path", "none"))


def _method_of(scope: Scope) -> str:
    return scope["method"] if scope["method"] in METHODS else "other"
