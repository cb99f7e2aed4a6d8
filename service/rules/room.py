"""What will be kept once everything is as old as it may become, from what is kept now."""

from __future__ import annotations

from typing import NamedTuple

DAY_MS = 86_400_000
YEAR_DAYS = 365
LEAST_SPAN_MS = 3_600_000  # from less than an hour nothing is foretold


class Forecast(NamedTuple):
    """Octets now and a day, and what they come to; the days until then. None where too little is known."""

    octets: int
    a_day: float | None
    comes_to: float | None
    in_days: float | None


def of_kept(octets: int, span_ms: int, kept_ms: int) -> Forecast:
    """What is removed after `kept_ms`: it grows by what it grew until it is as old as that, and then no more.

    Examples
    --------
    >>> of_kept(100, 86_400_000, 5 * 86_400_000)
    Forecast(octets=100, a_day=100.0, comes_to=500.0, in_days=4.0)
    """
    if span_ms < LEAST_SPAN_MS:
        return Forecast(octets, None, None, None)
    a_day = octets / span_ms * DAY_MS
    left_ms = max(0, kept_ms - span_ms)
    return Forecast(octets, a_day, octets + a_day * left_ms / DAY_MS, left_ms / DAY_MS)


def of_lasting(octets: int, span_ms: int) -> Forecast:
    """What is never removed, after another year."""
    if span_ms < LEAST_SPAN_MS:
        return Forecast(octets, None, None, None)
    a_day = octets / span_ms * DAY_MS
    return Forecast(octets, a_day, octets + a_day * YEAR_DAYS, float(YEAR_DAYS))


def days_until(forecasts: list[Forecast], free: float) -> float | None:
    """After how many days so much room is used up; None where it never is within a year, or too little is known.

    Examples
    --------
    >>> days_until([of_kept(100, DAY_MS, 5 * DAY_MS), of_lasting(10, DAY_MS)], 220)
    2.0
    """
    known = [one for one in forecasts if one.a_day and one.in_days]
    used = day = 0.0
    for until in sorted({one.in_days or 0.0 for one in known}):
        rate = sum(one.a_day or 0.0 for one in known if (one.in_days or 0.0) >= until)
        if used + rate * (until - day) >= free:
            return day + (free - used) / rate
        used, day = used + rate * (until - day), until
    return None
