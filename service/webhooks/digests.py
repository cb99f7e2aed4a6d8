"""Routes whose readers want one message a day, by the clock of their zone."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

PREFIX = "digest "
# What a digest tells: what came and what is over. The rest is in the findings themselves by then.
WHATS = frozenset({"raised", "unshelved", "cleared"})


def due_ms(at: time, zone: str, now_ms: int) -> int:
    """The next instant at which a clock shows a time of day; where it is put forward over it, as soon after.

    Examples
    --------
    >>> due_ms(time(8), "UTC", 0)
    28800000
    """
    here = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(ZoneInfo(zone))
    for days in range(3):
        day = here.date() + timedelta(days=days)
        instant = round(datetime.combine(day, at, ZoneInfo(zone)).timestamp() * 1000)
        if instant > now_ms:
            return instant
    raise AssertionError("each day has its eight o'clock")


def key_of(due: int) -> str:
    """What messages of one digest have in common."""
    return f"{PREFIX}{due}"


def is_key(key: str) -> bool:
    """Whether messages of a key are told together for being of one digest, and not for one cause."""
    return key.startswith(PREFIX)
