"""One watcher a process: it asks the database for all that is looked at together, and wakes whom it concerns."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

import structlog
from sqlalchemy.exc import SQLAlchemyError
from starlette.concurrency import run_in_threadpool

from service.errors import Overloaded
from service.pages import news
from service.pages.news import LISTS, State
from service.storage import database
from service.web.services import Services

EVERY_S, LISTS_EVERY = 1.0, 5  # lists at every fifth look
MOST_VIEWERS = 500

log = structlog.get_logger("pages")


class Watcher:
    """Used on one event loop only, but for `end`, which any thread may call."""

    def __init__(self, services: Services, most: int = MOST_VIEWERS) -> None:
        self._services, self._most = services, most
        self._viewers: dict[asyncio.Event, str] = {}
        self._states: dict[str, State] = {}
        self._task: asyncio.Task[None] | None = None
        self._looks = 0
        self.ended = False

    def refuse_many(self) -> None:
        """Overloaded where too many look already."""
        if len(self._viewers) >= self._most:
            raise Overloaded("pages that keep themselves up to date", self._most)

    @contextmanager
    def viewing(self, topic: str) -> Iterator[asyncio.Event]:
        """An event that is set whenever there is news of a topic."""
        event = asyncio.Event()
        self._viewers[event] = topic
        if self._task is None or self._task.done():
            self._task = asyncio.get_running_loop().create_task(self._watch())
        try:
            yield event
        finally:
            del self._viewers[event]

    def end(self) -> None:
        """Send everybody home, on the loop that serves them."""
        self.ended = True
        for event in self._viewers:
            event.set()

    async def _watch(self) -> None:
        while self._viewers and not self.ended:
            await self.look()
            await asyncio.sleep(EVERY_S)

    async def look(self) -> None:
        """Ask once, and wake whoever looks at what changed."""
        watched = set(self._viewers.values())
        self._states = {topic: state for topic, state in self._states.items() if topic in watched}
        due = {topic for topic in watched if self._looks % LISTS_EVERY == 0 or topic not in LISTS}
        due |= watched - self._states.keys()
        self._looks += 1
        try:
            found = await run_in_threadpool(self._ask, due)
        except SQLAlchemyError as failure:
            log.warning("what is new could not be asked", error=type(failure).__name__)
            return
        changed = {topic for topic, state in found.items() if self._states.get(topic, state) != state}
        self._states |= found
        for event, topic in self._viewers.items():
            if topic in changed:
                event.set()

    def _ask(self, topics: set[str]) -> dict[str, State]:
        with database.reading(self._services.engine) as connection:
            return news.states(connection, topics, self._services.now_ms())
