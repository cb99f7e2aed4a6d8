"""Where the ports of a batch belong: found once, and remembered for the batches that name the same ports."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from sqlalchemy import Connection

from service.storage import inventory
from service.storage.remembered import MOST_SEATED, Seats, memory_of
from service.terms import PortName

__all__ = ["Seats", "of"]


def of(connection: Connection, names: Sequence[PortName], *, feed: str, now_ms: int) -> Seats:
    """The seats of these ports, those that are new registered where that may be.

    The very same tuple of names as before is answered from memory, without a look at any name.
    """
    memory = memory_of(connection)
    memory.age(now_ms)
    remembered = memory.seats
    known = remembered.get(id(names))
    if known is not None and known.names is names:
        return known
    found = _found(connection, names, feed, now_ms)
    if isinstance(names, tuple) and _is_settled(memory.ports, found):
        _remember(remembered, found)
    return found


def _found(connection: Connection, names: Sequence[PortName], feed: str, now_ms: int) -> Seats:
    port_ids = np.array(inventory.resolve(connection, names, feed=feed, now_ms=now_ms), dtype=np.int32)
    return Seats(names, port_ids, *inventory.places(connection, port_ids))


def _is_settled(known: dict[tuple[str, str], tuple[PortName, int]], found: Seats) -> bool:
    """Whether each port is committed and its name says nothing new, so that nobody need look at it again."""
    pairs = zip(found.names, found.port_ids.tolist(), strict=True)
    return all(known.get((name.device, name.port)) == (name, port_id) for name, port_id in pairs)


def _remember(remembered: dict[int, Seats], found: Seats) -> None:
    """Remember these, and forget the oldest where they become too many."""
    remembered[id(found.names)] = found
    while sum(len(seats.names) for seats in list(remembered.values())) > MOST_SEATED:
        remembered.pop(next(iter(remembered)), None)
