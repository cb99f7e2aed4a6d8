"""GET /live: says when there is news of what a page shows, as server-sent events (HTML standard, section 9.2)."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import Query, Request
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool

from service.errors import ServiceError, WrongQuestion
from service.pages import routing
from service.pages.news import is_topic
from service.pages.viewers import SignInFirst, Watching, viewer_of
from service.pages.watching import Watcher

BEAT_S = 15
RETRY = b"retry: 2000\n\n"
NEWS = b"event: news\ndata: news\n\n"
BEAT = b": still here\n\n"
HEADERS = {"x-accel-buffering": "no"}  # a proxy before us that would wait for more to come is asked not to

router = routing.router()


@router.get("/live")
async def live(
    request: Request, _viewer: Watching, watch: Annotated[str, Query(min_length=1, max_length=64)]
) -> StreamingResponse:
    """A line whenever there is news of a topic."""
    if not is_topic(watch):
        raise WrongQuestion("watch", "is nothing that a page shows")
    watcher: Watcher = request.app.state.watcher
    watcher.refuse_many()
    return StreamingResponse(_lines(request, watcher, watch), media_type="text/event-stream", headers=HEADERS)


async def _lines(request: Request, watcher: Watcher, topic: str) -> AsyncIterator[bytes]:
    with watcher.viewing(topic) as event:
        yield RETRY
        while not watcher.ended:
            try:
                await asyncio.wait_for(event.wait(), BEAT_S)
            except TimeoutError:
                if not await run_in_threadpool(_may_still, request):
                    return
                yield BEAT
                continue
            event.clear()
            if not watcher.ended:
                yield NEWS


def _may_still(request: Request) -> bool:
    try:
        viewer_of(request, request.app.state.services)
    except (ServiceError, SignInFirst):
        return False
    return True
