"""The sockets that exporters send to, heard in one thread until told to stop."""

from __future__ import annotations

import ipaddress
import selectors
import socket
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial

import structlog
from sqlalchemy import Engine

from service.errors import WrongSetting
from service.records.hearing import Hearing

MOST_OCTETS = 65_535  # of a datagram
BUFFER_OCTETS = 4 << 20  # of what came while we were at something else, as far as the system allows
AT_ONCE, TURN_MS = 1000, 200  # datagrams, and how long they take, until others have their turn
REST = 0.25  # of the time at work: a flood takes no more than four fifths of one processor
_MEMORY, _DROPS = 55, 8  # SO_MEMINFO of Linux, an array of 32 bits each, and where it counts what was dropped
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
    drops: dict[str, int] = field(default_factory=dict)

    def run(self, stop: threading.Event) -> None:
        """Hear, and keep every few seconds what is due; in the end all, to which whoever hears next will add."""
        while not stop.is_set():
            self._look_up()
            ready = self.chosen.select(POLL_S)
            begun_ms = self.clock()
            for key, _ in ready:
                self._drain(key)
            self._keep()
            if ready:
                self._rest(stop, self.clock() - begun_ms)
        self._tried(lambda: self.hearing.keep(self.engine, self.clock(), everything=True))

    def _drain(self, key: selectors.SelectorKey) -> None:
        heard: socket.socket = key.fileobj  # type: ignore[assignment]  # we registered sockets alone
        begun_ms = self.clock()
        for _ in range(AT_ONCE):
            try:
                octets, sender = heard.recvfrom(MOST_OCTETS)
            except BlockingIOError:
                return
            now_ms = self.clock()
            self._tried(partial(self.hearing.take, key.data, plain(sender[0]), octets, now_ms))
            if now_ms - begun_ms >= TURN_MS:
                return

    def _rest(self, stop: threading.Event, busy_ms: int) -> None:
        """Leave the machine to others for a part of the time, however much is sent."""
        stop.wait(min(POLL_S, max(0.0, busy_ms * REST / 1000)))

    def _tell_drops(self) -> None:
        """Say how many datagrams came while there was no room for them, which sequence numbers tell only later."""
        for key in self.chosen.get_map().values():
            heard: socket.socket = key.fileobj  # type: ignore[assignment]  # we registered sockets alone
            count = dropped(heard)
            if more := (count - self.drops.get(key.data, 0)) % 2**32:
                log.warning("datagrams were dropped for want of room", protocol=key.data, count=more)
            self.drops[key.data] = count

    def _look_up(self) -> None:
        now_ms = self.clock()
        if now_ms - self.learned_ms >= LEARN_EVERY_MS:
            self._tried(lambda: self.hearing.learn(self.engine))
            self.learned_ms = now_ms

    def _keep(self) -> None:
        now_ms = self.clock()
        if now_ms - self.kept_ms >= KEEP_EVERY_MS:
            self._tried(lambda: self.hearing.keep(self.engine, now_ms))
            self._tell_drops()
            self.kept_ms = now_ms

    def _tried(self, work: Callable[[], object]) -> None:
        try:
            work()
        except Exception:  # whatever it was: hearing must not end unseen
            log.exception("what exporters told could not be taken or kept; hearing goes on")


def plain(address: str) -> str:
    """An address as settings name it: an IPv4 sender heard on an IPv6 socket by its own, no zone."""
    told = ipaddress.ip_address(address.partition("%")[0])
    mapped = told.ipv4_mapped if isinstance(told, ipaddress.IPv6Address) else None
    return str(mapped or told)


def dropped(heard: socket.socket) -> int:
    """How many datagrams the system dropped because the buffer was full, up to 2^32; 0 where it does not say."""
    try:
        told = heard.getsockopt(socket.SOL_SOCKET, _MEMORY, 4 * (_DROPS + 1))
    except OSError:
        return 0
    return int.from_bytes(told[4 * _DROPS :], sys.byteorder)


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
    if (room := heard.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)) < BUFFER_OCTETS:
        log.info("the system grants less room for datagrams than asked for", protocol=door.protocol, octets=room)
    return heard
