"""Routes of pages: what goes wrong is told as a page, in the words that a program would be told."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse
from fastapi.routing import APIRoute

from service.errors import ServiceError
from service.pages.rendering import page
from service.pages.viewers import SignInFirst, Viewer, viewer_of
from service.web.parameters import KNOWN_ONLY
from service.web.refusals import HEADERS, status_of

Handler = Callable[[Request], Coroutine[Any, Any, Response]]


class PageRoute(APIRoute):
    """A route whose refusals are pages."""

    def get_route_handler(self) -> Handler:
        """The handler of the framework, with what it refuses told as a page."""
        handler = super().get_route_handler()

        async def handled(request: Request) -> Response:
            try:
                return await handler(request)
            except SignInFirst:
                return sign_in_first(request)
            except ServiceError as failure:
                status = status_of(failure)
                if status == HTTPStatus.INTERNAL_SERVER_ERROR:
                    raise
                return refusal(request, status, str(failure))
            except RequestValidationError as wrong:
                return refusal(request, HTTPStatus.BAD_REQUEST, _told(wrong))

        return handled


def router() -> APIRouter:
    """A router for pages, which are not part of the interface for programs."""
    return APIRouter(dependencies=[KNOWN_ONLY], include_in_schema=False, route_class=PageRoute)


def sign_in_first(request: Request) -> Response:
    """Show where to sign in, and come back here after it."""
    to = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    return RedirectResponse(f"/sign-in?to={quote(to, safe='')}", HTTPStatus.SEE_OTHER)


def refusal(request: Request, status: HTTPStatus, detail: str) -> Response:
    """A page that says what is the matter and what would do."""
    answer = page(request, _known(request), "refusal.html", {"status": status, "detail": detail}, status)
    answer.headers.update({name: value for name, value in HEADERS.get(status, {}).items() if name == "retry-after"})
    return answer


def done(to: str) -> Response:
    """After something was done: the page that shows it, so that a reload does not do it again."""
    return RedirectResponse(to, HTTPStatus.SEE_OTHER)


def _known(request: Request) -> Viewer | None:
    try:
        return viewer_of(request, request.app.state.services)
    except (ServiceError, SignInFirst):
        return None


def _told(wrong: RequestValidationError) -> str:
    return "; ".join(f"{'.'.join(map(str, one['loc'][1:]))}: {one['msg']}" for one in wrong.errors())
