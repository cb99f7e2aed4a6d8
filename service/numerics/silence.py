"""When a source said nothing for longer than it should."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.terms import Codes, Ints

MISSED = 3  # polls on end that make a silence
# A poll counts as missed once it is half an interval late.
LATE = 0.5


class Silence(NamedTuple):
    """A time in which a source was not heard: from the last word before to the first after, None while it lasts."""

    since_ms: int
    until_ms: int | None
    missed: int


def usual_interval(round_times_ms: Ints) -> int:
    """The median time between rounds, 0 with fewer than two."""
    gaps = np.diff(np.unique(round_times_ms))
    return int(np.median(gaps)) if len(gaps) else 0


def usual_gap(port: Codes, at_ms: Ints) -> int:
    """The median time between two samples of one port, 0 where no port has two.

    Ports of one device are read one after the other, some milliseconds apart: that is no interval.

    Parameters
    ----------
    port, at_ms : shape (n,)
        Sorted by port and time.

    Examples
    --------
    >>> usual_gap(np.array([0, 0, 0, 1, 1]), np.array([0, 10_000, 20_000, 5, 10_005]))
    10000
    """
    gaps = np.diff(at_ms)[port[1:] == port[:-1]]
    return int(np.median(gaps)) if len(gaps) else 0


def missed_by_ms(interval_ms: int) -> int:
    """How long after its last word a source of that interval has missed its third poll."""
    return int((MISSED + LATE) * interval_ms)


def silences(round_times_ms: Ints, now_ms: int, interval_ms: int = 0) -> tuple[Silence, ...]:
    """The times in which a source missed three polls or more, oldest first.

    Parameters
    ----------
    round_times_ms : int64, shape (n,)
        When the source was heard, in any order.
    now_ms : int
        Up to when it is judged.
    interval_ms : int
        How often it should be heard; by default the median of how often it was.
    """
    heard = np.unique(round_times_ms)
    usual_ms = interval_ms or usual_interval(heard)
    if len(heard) == 0 or usual_ms <= 0:
        return ()
    ends = np.append(heard[1:], max(now_ms, int(heard[-1])))
    missed = np.floor((ends - heard) / usual_ms - LATE).astype(np.int64)
    return tuple(
        Silence(int(heard[at]), None if at == len(heard) - 1 else int(ends[at]), int(missed[at]))
        for at in np.flatnonzero(missed >= MISSED)
    )
