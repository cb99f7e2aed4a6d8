"""Polls that ended, many devices at once, as samples that are kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import structlog
from sqlalchemy import Engine
from sqlalchemy.exc import InterfaceError, OperationalError

from service import ingest
from service.collection.discovering import FEED
from service.errors import DatabaseNotReady
from service.feeds.limits import IngestLimits
from service.feeds.snmp import readings
from service.feeds.snmp.gathering import Polled
from service.ingest import Taken
from service.terms import Parsed

# The database is away or busy: what came is kept when it is back.
UNREACHABLE = (OperationalError, InterfaceError, DatabaseNotReady)

log = structlog.get_logger("collection")


class Kept(NamedTuple):
    """What became of some polls: what was taken in, and by device the time between its first and last reading."""

    taken: Taken
    skew_ms: dict[str, int]


def keep(engine: Engine, polls: Sequence[Polled], now_ms: int, limits: IngestLimits | None = None) -> Kept:
    """Keep the samples of some polls in one transaction; where that cannot be, those of each poll that can be."""

    if not polls:
        return Kept(Taken(0, 0, ()), {})

    def kept(some: Sequence[Polled]) -> Kept:
        parsed = readings.parsed(some)
        return Kept(ingest.keep(engine, parsed, feed=FEED, now_ms=now_ms, limits=limits), skews(parsed))

    try:
        return kept(polls)
    except UNREACHABLE:
        raise
    except Exception:
        log.exception("polls could not be kept together, so each is kept by itself", polls=len(polls))
        return _together([one for poll in polls if (one := _kept_alone(kept, poll)) is not None])


def _kept_alone(kept: Callable[[Sequence[Polled]], Kept], poll: Polled) -> Kept | None:
    try:
        return kept([poll])
    except UNREACHABLE:
        raise
    except Exception:
        log.exception("a poll could not be kept", device=poll.plan.device)
        return None


def _together(some: Sequence[Kept]) -> Kept:
    taken = Taken(
        accepted=sum(one.taken.accepted for one in some),
        duplicates=sum(one.taken.duplicates for one in some),
        rejected=tuple(reject for one in some for reject in one.taken.rejected),
    )
    return Kept(taken, {device: ms for one in some for device, ms in one.skew_ms.items()})


def skews(parsed: Parsed) -> dict[str, int]:
    """By device, the time between the first and the last reading of its octets in these polls."""
    if not len(parsed.samples):
        return {}
    numbers: dict[str, int] = {}
    device_of_port = np.array([numbers.setdefault(name.device, len(numbers)) for name in parsed.ports], dtype=np.int32)
    device = device_of_port[parsed.samples.port]
    order = np.argsort(device, kind="stable")
    device, at_ms = device[order], parsed.samples.at_ms[order]
    starts = np.flatnonzero(np.diff(device, prepend=-1))
    apart = np.maximum.reduceat(at_ms, starts) - np.minimum.reduceat(at_ms, starts)
    names = list(numbers)
    return {names[one]: int(ms) for one, ms in zip(device[starts].tolist(), apart.tolist(), strict=True)}
