"""One session with one agent: a socket that is listened to all the time, and one question at a time.

The client library awaits each answer with a task and a timer of its own. Here its socket is
registered once and each question costs one future: a fifth of the steps. That reaches for two
attributes of the library that have no promise, `_sock` and `_fd`; tests/snmp/test_channel.py
fails where a release renames them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, NamedTuple, Protocol

from gufo.snmp import SnmpAuthError
from gufo.snmp.aio import SnmpSession

from service.snmp import trouble
from service.snmp.agents import Agent


class Question(Protocol):
    """What is put to an agent and how its answer is read from the socket."""

    def send(self, sock: Any) -> None:
        """Put the question on its way."""

    def receive(self, sock: Any) -> Any:
        """Read the answer; BlockingIOError where what came is none to this question."""


class Heard(NamedTuple):
    """What came back: the answer, or the trouble in its place."""

    received_ms: int
    value: Any
    trouble: trouble.Trouble | None = None


LATE = Heard(0, None, trouble.Silent("late"))


class Channel:
    """A session that is listened to until it is closed."""

    def __init__(self, agent: Agent, session: SnmpSession, clock: Callable[[], int]) -> None:
        self.agent = agent
        self.garbled = False
        self.used = False
        self._clock = clock
        self._loop = asyncio.get_running_loop()
        self.opened_s = self._loop.time()
        self._session: SnmpSession | None = session
        self._sock: Any = session._sock
        self._receive: Callable[[Any], Any] = _drain
        self._waiting: asyncio.Future[Heard] | None = None
        self._loop.add_reader(session._fd, self._readable)

    def ask(self, question: Question) -> asyncio.Future[Heard]:
        """Put a question; what comes is told by the future. An unanswered one before it is given up."""
        self._receive = question.receive
        future = self._waiting = self._loop.create_future()
        try:
            question.send(self._sock)
        except BlockingIOError:
            pass  # the buffer is full: as good as lost on the way, and tried again like that
        except OSError as wrong:
            self._end(None, trouble.unsendable(self.agent, wrong))
        return future

    def listen_on(self) -> asyncio.Future[Heard]:
        """Wait longer for the answer to the last question; who waited so far is told that it is late."""
        before, self._waiting = self._waiting, self._loop.create_future()
        if before is not None and not before.done():
            before.set_result(LATE)
        return self._waiting

    def close(self) -> None:
        """Listen no more; the socket closes with its session."""
        if self._session is not None:
            self._loop.remove_reader(self._session._fd)
            self._session = self._sock = None

    def _readable(self) -> None:
        try:
            value = self._receive(self._sock)
        except BlockingIOError:  # late, or an answer to something else
            return
        except StopAsyncIteration:  # the end of a walk
            value = None
        except SnmpAuthError:
            self._end(None, trouble.refused(self.agent))
            return
        except TimeoutError:  # the library's word for what ICMP says
            self._end(None, trouble.deaf(self.agent))
            return
        except BaseException:  # also the library's panic over nonsense, which is no Exception
            # Anybody can send nonsense; the answer may still come.
            self.garbled = True
            return
        self._end(value)

    def _end(self, value: Any, wrong: trouble.Trouble | None = None) -> None:
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(Heard(self._clock(), value, wrong))


def _drain(sock: Any) -> Any:
    return sock.recv_get_many()
