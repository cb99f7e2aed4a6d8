"""Figures and lists as people read them; the facts of a finding in half sentences."""

from __future__ import annotations

import math
from collections.abc import Iterable

ROUND_BITS = 8 * 2**32  # after so many a counter of octets with 32 bits begins anew
POLLED_WITHIN = 0.8  # of that time, so that a late poll does no harm


def percent(share: float) -> str:
    """A share of 1 with two significant digits, as in "92 %", "2.4 %" or "0.02 %"."""
    value = 100 * share
    if value >= 9.95:
        return f"{value:.0f} %"
    return f"{value:.2g} %" if value >= 1e-4 else f"{max(value, 0):.0f} %"


def line(share: float) -> str:
    """A limit as it was set, as in "75 %" or "72.5 %"."""
    return f"{100 * share:g} %"


def listed(names: Iterable[str]) -> str:
    """Names in a row, as in "m1, m2 and m3"."""
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


def counted(number: int, noun: str) -> str:
    """So many of something, as in "1 window" or "2,880 windows"."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def signed_points(share: float) -> str:
    """A difference of shares in points, as in "-32.6"."""
    return f"{100 * share:+.1f}"


def minutes(milliseconds: int) -> str:
    """A duration as people say it, as in "90 s", "6 min" or "1 h 43 min"."""
    seconds = milliseconds // 1000
    if seconds < 120:
        return f"{seconds} s"
    whole = seconds // 60
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60} min"


def rate(bps: float) -> str:
    """A rate in the unit that suits it, as in "920 Mbit/s" or "10 Gbit/s"."""
    for unit, size in (("Tbit/s", 1e12), ("Gbit/s", 1e9), ("Mbit/s", 1e6), ("kbit/s", 1e3)):
        if bps >= size:
            return f"{bps / size:.4g} {unit}"
    return f"{math.floor(bps)} bit/s"


def wrapping(bps: int) -> str:
    """How fast 32 bits of octets go round at a speed, and how often to poll so that they never do twice unseen.

    Source
    ------
    RFC 2863 section 3.1.6; four fifths of that time leave room for a late poll.
    """
    round_s = ROUND_BITS / bps
    told = f"at {rate(bps)} 32 bits wrap in {round_s:.2f} s"
    every_s = math.floor(POLLED_WITHIN * round_s)
    return f"{told}: poll at most every {every_s} s" if every_s else f"{told}: only 64 bits will do"
