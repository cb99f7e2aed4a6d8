"""Asking one agent with patience: the tries overlap, and an answer to any of them counts."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, NamedTuple

from service.snmp import trouble
from service.snmp.agents import Agent
from service.snmp.channel import Channel, Question
from service.snmp.names import Names
from service.snmp.sessions import Sessions


class Answer(NamedTuple):
    """What an agent answered, and between which instants."""

    sent_ms: int
    received_ms: int
    value: Any


class _Try(NamedTuple):
    channel: Channel
    answer: Answer


class Asker:
    """One visit to one agent; its session is kept by `leave`, thrown away after any trouble by `abandon`."""

    def __init__(self, agent: Agent, tries: int, names: Names, sessions: Sessions, clock: Callable[[], int]) -> None:
        self.agent = agent
        self.tries_made = 1
        self.lapsed: Callable[[], None] | None = None  # told once when the first try stays unanswered
        self._tries = tries
        self._part_s = agent.timeout_s / tries
        self._names = names
        self._sessions = sessions
        self._clock = clock
        self._loop = asyncio.get_running_loop()
        self._channel = sessions.kept(agent)
        self._garbled = False
        self._tried: list[Channel] = []
        self._deaf: trouble.Trouble | None = None

    async def answer(self, question: Question) -> Answer:
        """What the agent answers to one question; Trouble where it does not."""
        started = self._loop.time()
        channel = self._channel
        if channel is None:
            return await self._patiently(question, self._start(question, 0), started)
        sent_ms = self._clock()
        future = channel.ask(question)
        timer = self._loop.call_later(self._part_s, channel.listen_on)
        try:
            received_ms, value, wrong = await future
        finally:
            timer.cancel()
        if wrong is None:
            return Answer(sent_ms, received_ms, value)
        self._channel = None
        if isinstance(wrong, trouble.Refused) and not channel.used:
            channel.close()
            raise wrong
        self._tried.append(channel)
        first = self._loop.create_task(self._listen(channel, sent_ms, wrong))
        return await self._patiently(question, first, started)

    def leave(self) -> None:
        """Keep the session for the next visit."""
        if self._channel is not None:
            self._sessions.keep(self._channel)
            self._channel = None

    def abandon(self) -> None:
        """Throw the session away, and what was known of the agent's address and engine."""
        if self._channel is not None:
            self._channel.close()
            self._channel = None
        self._sessions.forget(self.agent)
        self._names.forget(self.agent.host)

    async def _patiently(self, question: Question, first: asyncio.Task[_Try], started: float) -> Answer:
        """The first answer to any try; a further try at the end of each part of the time-out."""
        running = {first}
        try:
            for made in range(1, self._tries + 1):
                self.tries_made = max(self.tries_made, made)
                if made > 1:
                    running.add(self._start(question, made - 1))
                heard = await self._first_of(running, started + made * self._part_s)
                if heard is not None:
                    self._channel = heard.channel
                    return heard.answer
                self._note_lapse()
        finally:
            for task in running:
                _drop(task)
        raise self._silence()

    async def _first_of(self, running: set[asyncio.Task[_Try]], until: float) -> _Try | None:
        while (left := until - self._loop.time()) > 0:
            if not running:  # all were turned down at once; the next try waits its turn, else this would spin
                await asyncio.sleep(left)
                return None
            done, _ = await asyncio.wait(running, timeout=left, return_when=asyncio.FIRST_COMPLETED)
            running -= done
            good = [task for task in done if self._is_good(task)]
            for other in good[1:]:
                _drop(other)
            if good:
                return good[0].result()
        return None

    def _is_good(self, task: asyncio.Task[_Try]) -> bool:
        wrong = task.exception()
        if wrong is None:
            return True
        if isinstance(wrong, (trouble.Refused, trouble.Unresolved)) or not isinstance(wrong, trouble.Trouble):
            raise wrong
        if isinstance(wrong, trouble.Garbled):
            self._garbled = True
        else:
            self._deaf = wrong
        return False

    def _start(self, question: Question, turn: int) -> asyncio.Task[_Try]:
        return self._loop.create_task(self._try(question, turn))

    async def _try(self, question: Question, turn: int) -> _Try:
        """One try on a session of its own, at the next of the host's addresses."""
        if turn:
            self._sessions.forget(self.agent)
        addresses = await self._names.addresses(self.agent)
        address = addresses[turn % len(addresses)]
        channel = await self._sessions.opened(self.agent, address)
        self._tried.append(channel)
        try:
            sent_ms = self._clock()
            received_ms, value, wrong = await channel.ask(question)
            if wrong is not None:
                raise wrong
        except BaseException:
            channel.close()
            raise
        self._names.answered(self.agent.host, address)
        return _Try(channel, Answer(sent_ms, received_ms, value))

    async def _listen(self, channel: Channel, sent_ms: int, wrong: trouble.Trouble) -> _Try:
        """The first try, on the session that was open, once it is late or turned down."""
        try:
            if wrong.words != "late":
                raise _as_lost(wrong)
            received_ms, value, then = await channel.listen_on()
            if then is not None:
                raise _as_lost(then)
        except BaseException:
            channel.close()
            raise
        return _Try(channel, Answer(sent_ms, received_ms, value))

    def _note_lapse(self) -> None:
        if self.lapsed is not None:
            self.lapsed()
            self.lapsed = None

    def _silence(self) -> trouble.Trouble:
        if self._garbled or any(channel.garbled for channel in self._tried):
            return trouble.garbled(self.agent)
        if self._deaf is not None and not self._deaf.words.startswith("no answer"):
            return self._deaf
        return trouble.silent(self.agent, self._tries)


def _drop(task: asyncio.Task[_Try]) -> None:
    """Give a try up; one that ended at the same moment as another leaves a socket to be closed."""
    if not task.done():
        task.cancel()
    elif not task.cancelled() and task.exception() is None:
        task.result().channel.close()


def _as_lost(wrong: trouble.Trouble) -> trouble.Trouble:
    # An old session may be refused where a new one is not: the agent restarted since.
    return trouble.Silent("no answer") if isinstance(wrong, trouble.Refused) else wrong
