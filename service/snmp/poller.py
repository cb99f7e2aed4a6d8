"""Asking many agents at once, in a thread of its own, behind plain calls."""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self

from service.snmp import trouble
from service.snmp.agents import FINE, Agent, Outcome, Request
from service.snmp.asking import Asker
from service.snmp.limits import room_for_sockets
from service.snmp.names import Names
from service.snmp.sessions import Sessions
from service.snmp.visits import Sizes, replies
from service.terms import Reply

__all__ = ["Agent", "Outcome", "Poller", "Request"]


class _Batch:
    """Requests whose outcomes somebody waits for, in their order."""

    def __init__(self, size: int) -> None:
        self.outcomes: list[Outcome | None] = [None] * size
        self.left = size
        self.done = threading.Event()
        if not size:
            self.done.set()

    def end(self, at: int, outcome: Outcome) -> None:
        self.outcomes[at] = outcome
        self.left -= 1
        if not self.left:
            self.done.set()


class Poller:
    """Asks agents, at most `in_flight` at once.

    One that does not answer holds its place only for its first try; the others wait no longer
    for it. Calls may come from any thread.
    """

    def __init__(self, clock: Callable[[], int], in_flight: int = 512) -> None:
        self._clock = clock
        sockets = room_for_sockets(in_flight)
        self._slots = asyncio.Semaphore(min(in_flight, max(16, sockets // 8)))
        self._names = Names()
        self._sessions = Sessions(clock, most=max(16, sockets // 4))
        self._sizes = Sizes()
        self._ended: deque[Outcome] = deque()
        self._tasks: set[asyncio.Task[None]] = set()
        self._open = 0
        self._lock = threading.Lock()
        self._loop = _new_loop()
        self._closed = False
        self._thread = threading.Thread(target=self._loop.run_forever, name="poller", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        """The poller, for the time of a `with`."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it."""
        self.close()

    def round(self, requests: Sequence[Request]) -> list[Outcome]:
        """Ask all and wait for all; outcomes in the order of the requests."""
        batch = _Batch(len(requests))
        self._begin(requests, batch.end)
        batch.done.wait()
        return [outcome for outcome in batch.outcomes if outcome is not None]

    def submit(self, requests: Sequence[Request]) -> None:
        """Ask all without waiting; `finished` tells what came."""
        self._begin(requests, lambda _, outcome: self._ended.append(outcome))

    def finished(self) -> list[Outcome]:
        """What ended since the last call, of what was submitted."""
        return [self._ended.popleft() for _ in range(len(self._ended))]

    def busy(self) -> int:
        """How many requests are still under way."""
        return self._open

    def close(self) -> None:
        """Break off what is under way and end the thread."""
        if self._closed:
            return
        self._closed = True
        asyncio.run_coroutine_threadsafe(self._wind_up(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    def _begin(self, requests: Sequence[Request], end: Callable[[int, Outcome], None]) -> None:
        if self._closed:
            raise RuntimeError("the poller is closed")
        with self._lock:
            self._open += len(requests)
        self._loop.call_soon_threadsafe(self._start, tuple(requests), end)

    def _start(self, requests: tuple[Request, ...], end: Callable[[int, Outcome], None]) -> None:
        for at, request in enumerate(requests):
            task = self._loop.create_task(self._run(at, request, end))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _run(self, at: int, request: Request, end: Callable[[int, Outcome], None]) -> None:
        outcome = Outcome(request, (), "the poller was closed", trouble.Silent.kind)
        try:
            if request.after_ms > 0:
                await asyncio.sleep(request.after_ms / 1000)
            outcome = await self._outcome(request)
        finally:
            with self._lock:
                self._open -= 1
            end(at, outcome)

    async def _outcome(self, request: Request) -> Outcome:
        try:
            # A name server that is slow holds up nobody else.
            await self._names.addresses(request.agent)
        except trouble.Trouble as wrong:
            return Outcome(request, (), wrong.words, wrong.kind, 0)
        slot = _Slot(self._slots)
        await self._slots.acquire()
        try:
            return await self._visit(request, slot)
        finally:
            slot.give_back()

    async def _visit(self, request: Request, slot: _Slot) -> Outcome:
        started = self._loop.time()
        agent = request.agent
        asker = Asker(agent, max(1, request.tries or agent.tries), self._names, self._sessions, self._clock)
        asker.lapsed = slot.give_back
        told: tuple[Reply, ...] = ()
        words, kind = "", FINE
        try:
            told = await replies(asker, request, self._sizes)
        except trouble.Trouble as wrong:
            words, kind = wrong.words, wrong.kind
        except Exception as wrong:  # one agent's trouble is nobody else's; a name is told, never a value
            words, kind = f"{agent.place} could not be asked: {type(wrong).__name__}", trouble.Garbled.kind
        finally:
            if kind == FINE and told:
                asker.leave()
            else:
                asker.abandon()
        took_ms = round((self._loop.time() - started) * 1000)
        return Outcome(request, told, words, kind, asker.tries_made, took_ms)

    async def _wind_up(self) -> None:
        running = tuple(self._tasks)
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)
        self._sessions.close()


class _Slot:
    """A place among those under way, given back once."""

    def __init__(self, slots: asyncio.Semaphore) -> None:
        self._slots: asyncio.Semaphore | None = slots

    def give_back(self) -> None:
        if self._slots is not None:
            self._slots.release()
            self._slots = None


def _new_loop() -> asyncio.AbstractEventLoop:
    try:
        import uvloop
    except ImportError:  # it is a quarter faster where there is one
        return asyncio.new_event_loop()
    return uvloop.new_event_loop()
