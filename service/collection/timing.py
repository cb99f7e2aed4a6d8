"""When agents are asked: spread over their interval, more rarely where nobody answers or there is too much to do."""

from __future__ import annotations

import hashlib

# While there is too much to do, an interval grows by this factor a time, and to no more than this many times itself.
STRETCH = 1.5
MOST_STRETCHED = 6.0
# An interval shrinks again after as many polls in a row that would have been done in time at the shorter one, ...
IN_TIME_BEFORE_SHRINKING = 6
# ... with some room to spare, or it would be stretched again at once.
ROOM = 0.8


def phase_ms(device: str, interval_ms: int) -> int:
    """Where in its interval a device is asked: the same after every start, and spread evenly over many devices."""
    digest = hashlib.blake2b(device.encode(), digest_size=8).digest()
    return int.from_bytes(digest, "big") % max(1, interval_ms)


def due_after(now_ms: int, interval_ms: int, phase: int) -> int:
    """The first instant from now on at which a device of this phase is asked."""
    return now_ms + (phase - now_ms) % interval_ms


def wait_ms(failures: int, interval_ms: int, most_ms: int) -> int:
    """How long to leave an agent alone after this many polls in a row without an answer.

    Examples
    --------
    >>> [wait_ms(failures, 10_000, 60_000) for failures in (1, 2, 3, 4, 99)]
    [10000, 20000, 40000, 60000, 60000]
    """
    doubled = interval_ms << min(failures - 1, 30)
    return max(interval_ms, min(doubled, most_ms))


def stretched(factor: float) -> float:
    """How many times its interval an agent is given once the present one proved too short."""
    return min(factor * STRETCH, MOST_STRETCHED)


def shrunk(factor: float) -> float:
    """How many times its interval an agent is given once there is room again."""
    return max(factor / STRETCH, 1.0)
