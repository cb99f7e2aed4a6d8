"""The sockets that exporters send to, heard in one thread until told to stop."""

from __future__ import annotations

import ipaddress
import selectors
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

import structlog
from sqlalchemy import Engine
from sqlalchemy.exc import SQLAlchemyError

from service.errors import ServiceError, WrongSetting
from service.records.hearing import Hearing

MOST_OCTETS = 65_535  # of a datagram
BUFFER_OCTETS = 4 << 20  # of what came while we were at something else, as far as the system allows
AT_ONCE = 1000  # datagrams between two looks at the clock
KEEP_EVERY_MS, LEARN_EVERY_MS = 5_000, 15_000
POLL_S = 0.25

log = structlog.get_logger("records")


@dataclass(frozen=True)
class Door:
    """Where one protocol is heard."""

    protocol: str
    host: str
    port: int


@contextmanager
def receiving(
    engine: Engine, doors: tuple[Door, ...], devices: Mapping[str, str], clock: Callable[[], int]
) -> Iterator[tuple[int, ...]]:
    """Hear exporters in a thread until the block ends; the ports that are heard, in the order of the doors."""
    stop = threading.Event()
    with ExitStack() as open_doors:
        chosen = open_doors.enter_context(selectors.DefaultSelector())
        bound = [open_doors.enter_context(_opened(door)) for door in doors]
        for door, heard in zip(doors, bound, strict=True):
            chosen.register(heard, selectors.EVENT_READ, door.protocol)
        loop = _Loop(engine, Hearing(devices), clock, chosen)
        thread = threading.Thread(target=loop.run, args=(stop,), name="records", daemon=True)
        thread.start()
        try:
            yield tuple(heard.getsockname()[1] for heard in bound)
        finally:
            stop.set()
            thread.join()


@dataclass
class _Loop:
    engine: Engine
    hearing: Hearing
    clock: Callable[[], int]
    chosen: selectors.BaseSelector
    kept_ms: int = 0
    learned_ms: int = 0

    def run(self, stop: threading.Event) -> None:
        """Hear, and keep every few seconds what is due; in the end all, to which whoever hears next will add."""
        while not stop.is_set():
            self._look_up()
            for key, _ in self.chosen.select(POLL_S):
                self._drain(key)
            self._keep()
        self._tried(lambda: self.hearing.keep(self.engine, self.clock(), everything=True))

    def _drain(self, key: selectors.SelectorKey) -> None:
        heard: socket.socket = key.fileobj  # type: ignore[assignment]  # we registered sockets alone
        for _ in range(AT_ONCE):
            try:
                octets, sender = heard.recvfrom(MOST_OCTETS)
            except BlockingIOError:
                return
            self.hearing.take(key.data, plain(sender[0]), octets, self.clock())

    def _look_up(self) -> None:
        now_ms = self.clock()
        if now_ms - self.learned_ms >= LEARN_EVERY_MS:
            self._tried(lambda: self.hearing.learn(self.engine))
            self.learned_ms = now_ms

    def _keep(self) -> None:
        now_ms = self.clock()
        if now_ms - self.kept_ms >= KEEP_EVERY_MS:
            self._tried(lambda: self.hearing.keep(self.engine, now_ms))
            self.kept_ms = now_ms

    def _tried(self, work: Callable[[], object]) -> None:
        try:
            work()
        except (ServiceError, SQLAlchemyError):
            log.exception("what exporters told could not be kept; hearing goes on")


def plain(address: str) -> str:
    """An address as settings name it: an IPv4 sender heard on an IPv6 socket by its own, no zone."""
    told = ipaddress.ip_address(address.partition("%")[0])
    mapped = told.ipv4_mapped if isinstance(told, ipaddress.IPv6Address) else None
    return str(mapped or told)


def _opened(door: Door) -> socket.socket:
    heard = socket.socket(socket.AF_INET6 if ":" in door.host else socket.AF_INET, socket.SOCK_DGRAM)
    try:
        heard.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_OCTETS)
        heard.bind((door.host, door.port))
    except OSError as taken:
        heard.close()
        why = f"cannot hear {door.protocol} on {door.host} port {door.port}: {taken.strerror}"
        raise WrongSetting(f"records.{door.protocol}_port", why, "choose another port or host") from taken
    heard.setblocking(False)
    return heard
