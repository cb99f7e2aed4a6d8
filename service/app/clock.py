"""The only clock, in a module of its own: whoever needs no more need not wait for the rest."""

from __future__ import annotations

import time


def offset_s() -> float:
    """How far the clock is ahead of one that nobody sets; a change of it is a step of the clock."""
    return time.time() - time.monotonic()


def now_ms() -> int:
    """The time; everything below is handed it."""
    return time.time_ns() // 1_000_000
