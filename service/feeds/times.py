"""Instants as sources write them: RFC 3339 with zone, or seconds since the epoch.

Milliseconds are kept, finer fractions rounded to the nearest. A leap second, 23:59:60 UTC,
is taken as the second after it: the count since the epoch has no number of its own for it.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from service.errors import UnusableInput
from service.terms import Ints

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SECOND_MS = 1000
# The last millisecond of year 9999, the last that RFC 3339 can write.
LAST_MS = 253_402_300_799_999

_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d+))?([Zz]|[+-]\d\d:\d\d)?",
    re.ASCII,
)
_SECONDS = re.compile(r"\d{1,20}(\.\d*)?", re.ASCII)
# What the vectorised reader may be trusted with: upper case, an offset, and no more digits than it keeps.
_PLAIN = r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)$"
_PLAIN_SECONDS = r"^\d{1,12}(\.\d{0,9})?$"
REMEDY = "write 2026-11-25T10:00:00.250Z, or seconds since the epoch"


class NoInstant(ValueError):
    """A text or number says no instant, or not only one."""


def zone_named(name: str | None) -> ZoneInfo | None:
    """The time zone of a name of the tz database; UnusableInput where there is none."""
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as unknown:
        raise UnusableInput(
            "zone", f"{name!r} is no time zone of the tz database", "write one such as UTC or Europe/London"
        ) from unknown


def of_seconds(seconds: float) -> int:
    """Milliseconds of seconds since the epoch."""
    if not math.isfinite(seconds):
        raise NoInstant(f"is no instant; {REMEDY}")
    if seconds < 0:
        raise NoInstant("lies before 1970; set the clock of the source right")
    at_ms = math.floor(seconds * SECOND_MS + 0.5)
    if at_ms > LAST_MS:
        raise NoInstant(
            "lies after the year 9999 as seconds since the epoch; if these are milliseconds, divide by 1000"
        )
    return at_ms


def of_text(text: str, zone: ZoneInfo | None = None) -> int:
    """Milliseconds since the epoch of a text in either form; `zone` is where a time without one was read."""
    if _SECONDS.fullmatch(text):
        return of_seconds(float(text))
    told = _RFC3339.fullmatch(text)
    if told is None:
        raise NoInstant(f"is no instant; {REMEDY}")
    at_ms = _of_parts(told, zone)
    if at_ms < 0:
        raise NoInstant("lies before 1970; set the clock of the source right")
    return at_ms


def rfc3339_ms(text: str) -> int:
    """Milliseconds since the epoch, before it too, of a text that is RFC 3339 to the letter."""
    told = _RFC3339.fullmatch(text)
    if told is None or told[8] is None:
        raise NoInstant(f"is no instant; {REMEDY}")
    return _of_parts(told, None)


def of_texts(texts: pa.Array) -> Ints | None:
    """All texts at once, where each is plainly an instant after 1970; None where one of them needs a closer look."""
    if pc.all(pc.match_substring_regex(texts, _PLAIN_SECONDS)).as_py():
        return of_numbers(texts.cast(pa.float64()).to_numpy(zero_copy_only=False))
    if not pc.all(pc.match_substring_regex(texts, _PLAIN)).as_py():
        return None
    try:
        micros = texts.cast(pa.timestamp("us", "UTC")).cast(pa.int64()).to_numpy(zero_copy_only=False)
    except pa.ArrowInvalid:
        return None
    return (micros + 500) // 1000 if len(micros) == 0 or micros.min() >= 0 else None


def of_numbers(seconds: np.ndarray) -> Ints | None:
    """All seconds since the epoch at once, or None where one is not finite or out of range."""
    at_ms = np.floor(seconds * SECOND_MS + 0.5)
    if not np.all((at_ms >= 0) & (at_ms <= LAST_MS)):  # a NaN is neither
        return None
    return at_ms.astype(np.int64)


def _of_parts(told: re.Match[str], zone: ZoneInfo | None) -> int:
    year, month, day, hour, minute, second = (int(told[part]) for part in range(1, 7))
    leaps = second == 60
    try:
        wall = datetime(year, month, day, hour, minute, 59 if leaps else second)  # noqa: DTZ001  # its zone comes next
    except ValueError as impossible:
        raise NoInstant(f"is no date and time of the calendar ({impossible}); {REMEDY}") from impossible
    at = _placed(wall, told[8], zone)
    if leaps:
        at = _after_leap(at)
    fraction_ms = math.floor(float(f"0.{told[7] or 0}") * SECOND_MS + 0.5)
    return (at - EPOCH) // timedelta(milliseconds=1) + fraction_ms


def _after_leap(at: datetime) -> datetime:
    if (at.hour, at.minute) != (23, 59):
        raise NoInstant("has a second 60 that is no leap second: those are 23:59:60 UTC")
    return at + timedelta(seconds=1)


def _placed(wall: datetime, offset: str | None, zone: ZoneInfo | None) -> datetime:
    try:
        if offset is None:
            return local(wall, zone).astimezone(UTC)
        return wall.replace(tzinfo=_offset(offset)).astimezone(UTC)
    except OverflowError as outside:
        raise NoInstant("lies outside the years 1 to 9999") from outside


def _offset(text: str) -> timezone:
    if text in ("Z", "z"):
        return UTC
    hours, minutes = int(text[1:3]), int(text[4:6])
    if hours > 23 or minutes > 59:
        raise NoInstant(f"has an offset {text} that is none; write +01:00 or Z")
    away = timedelta(hours=hours, minutes=minutes)
    return timezone(-away if text[0] == "-" else away)


def local(wall: datetime, zone: ZoneInfo | None) -> datetime:
    """The instant that a clock of a zone showed; NoInstant where there is no zone, no such time, or two of them."""
    if zone is None:
        raise NoInstant("has no zone; append Z or an offset, or for a file say which zone its times are in (--zone)")
    at = wall.replace(tzinfo=zone)
    if at.utcoffset() == at.replace(fold=1).utcoffset():
        return at
    # The two readings differ where clocks are set: forward, no clock shows this time; back, it is shown twice.
    missing = at.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != wall
    what = "does not exist" if missing else "exists twice"
    raise NoInstant(f"{what} in {zone.key}, where clocks are set there; write it with an offset, or in UTC")
