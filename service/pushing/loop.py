"""Reading at every edge of the interval, and sending beside it, until told to end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import structlog

from service.errors import UnusableSpool
from service.pushing.sender import Sender
from service.pushing.spool import Spool

LOOK_EVERY_S = 0.5  # how soon a batch that was just kept is sent
END_WITHIN_S = 40  # more than one exchange with a service that hangs

Clock = Callable[[], int]
Wait = Callable[[float], bool]  # waits so many seconds, and says whether to end

log = structlog.get_logger("pushing")


def keep_reading(body: Callable[[], bytes], spool: Spool, clock: Clock, wait: Wait, interval_ms: int) -> None:
    """Keep a reading at each edge of the interval, so that edges of windows are hit, until told to end."""
    said = ""
    while not _waited(clock, wait, interval_ms):
        said = keep(body(), spool, said)


def _waited(clock: Clock, wait: Wait, interval_ms: int) -> bool:
    """Wait for the next edge; whether to end. A clock that is set meanwhile changes the edge, not the patience."""
    now_ms = clock()
    edge_ms = now_ms - now_ms % interval_ms + interval_ms
    while 0 < edge_ms - now_ms <= interval_ms:
        if wait((edge_ms - now_ms) / 1000):
            return True
        now_ms = clock()
    return False


def keep(body: bytes, spool: Spool, said: str = "") -> str:
    """Keep a batch, and say where old ones had to go for it or where it could not be kept.

    What hinders it now is returned; what was `said` of that before is not said again, until it is over.
    """
    if not body:
        return said
    try:
        gone = spool.put(body)
    except UnusableSpool as full:
        if str(full) != said:
            log.error("readings are lost", why=str(full))
        return str(full)
    if said:
        log.info("readings are kept again", waiting=len(spool))
    if gone:
        log.warning("the spool is full; the oldest batches are lost", lost=gone, waiting=len(spool))
    return ""


def keep_sending(sender: Sender, wait: Wait) -> None:
    """Send what waits, as soon as it may be sent, until told to end."""
    while not wait(LOOK_EVERY_S):
        while sender.send_due() and not wait(0):
            pass


@contextmanager
def sending(sender: Sender, end: threading.Event) -> Iterator[None]:
    """Send beside the block, on a thread of its own; what went wrong there ends the block and comes out of it."""
    wrong: list[BaseException] = []

    def run() -> None:
        try:
            keep_sending(sender, end.wait)
        except BaseException as failure:  # it is raised again where it can be seen
            wrong.append(failure)
            end.set()

    thread = threading.Thread(target=run, name="sending", daemon=True)
    thread.start()
    try:
        yield
    finally:
        end.set()
        thread.join(END_WITHIN_S)
    if wrong:
        raise wrong[0]
