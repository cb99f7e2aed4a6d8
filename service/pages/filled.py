"""Forms that ask: a browser sends what was left blank as well, and blank is no filter."""

from __future__ import annotations

from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, Request, Response

from service.pages.routing import Handler, PageRoute
from service.web.parameters import KNOWN_ONLY


class FilledRoute(PageRoute):
    """A route of a page to which what was left blank was not asked at all."""

    def get_route_handler(self) -> Handler:
        """The handler of pages, with the blank taken out of the question."""
        handler = super().get_route_handler()

        async def handled(request: Request) -> Response:
            pairs = parse_qsl(request.scope["query_string"].decode("latin-1"), keep_blank_values=True)
            asked = urlencode([(name, value.strip()) for name, value in pairs if value.strip()])
            return await handler(Request({**request.scope, "query_string": asked.encode()}, request.receive))

        return handled


def router() -> APIRouter:
    """A router for pages whose forms are asked with GET."""
    return APIRouter(dependencies=[KNOWN_ONLY], include_in_schema=False, route_class=FilledRoute)
