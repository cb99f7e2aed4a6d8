"""What holds for every answer: headers that a browser minds, a count, and no fault of ours told outside."""

from __future__ import annotations

from http import HTTPStatus

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web.refusals import MEDIA_TYPE, too_large, unforeseen
from service.web.services import Tally

ALWAYS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "content-security-policy": "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "cross-origin-resource-policy": "same-origin",
}
METHODS = frozenset(("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"))


class Edge:
    """Wraps the application."""

    def __init__(self, app: ASGIApp, tally: Tally) -> None:
        self._app = app
        self._tally = tally

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = _Answer(send)
        try:
            await self._app(scope, receive, answer.pass_on)
        except ClientDisconnect:
            return  # nobody is left to be told
        except Exception as failure:
            if answer.status:
                raise  # half an answer is out: the server cuts the connection
            await unforeseen(failure)(scope, receive, answer.pass_on)
        if answer.is_bare:
            await too_large()(scope, receive, answer.send)
        self._tally.add("requests", _route_of(scope), _method_of(scope), str(answer.status))


class _Answer:
    """An answer on its way out."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.status = 0
        self.is_bare = False

    async def pass_on(self, message: Message) -> None:
        """Pass a message on, unless it belongs to a refusal that is not told as a problem document."""
        if message["type"] == "http.response.start" and _is_bare(message):
            self.is_bare = True
        if not self.is_bare:
            await self.send(message)

    async def send(self, message: Message) -> None:
        """Send a message, the first one with the headers that all answers have."""
        if message["type"] == "http.response.start":
            self.status = message["status"]
            headers = MutableHeaders(scope=message)
            for name, value in ALWAYS.items():
                headers.setdefault(name, value)
        await self._send(message)


def _is_bare(message: Message) -> bool:
    """Whether the framework refuses a body for its size, which it does in plain text and past every handler."""
    if message["status"] != HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
        return False
    return Headers(raw=message["headers"]).get("content-type") != MEDIA_TYPE


def _route_of(scope: Scope) -> str:
    """The path as it is declared: few, whatever anybody asks for."""
    return str(getattr(scope.get("route"), "path", "none"))


def _method_of(scope: Scope) -> str:
    return scope["method"] if scope["method"] in METHODS else "other"
