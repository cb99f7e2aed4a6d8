"""Figures, instants and lengths of time as pages write them; what is unknown is said, never shown as zero."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from markupsafe import Markup

from service.webhooks import spoken
from service.webhooks.fields import instant

FILTERS = ("per_cent", "points", "rate", "at", "at_short", "lasting", "time", "instant_time", "iso", "sentence")
UNKNOWN = "unknown"


def per_cent(share: float | None, digits: int = 0) -> str:
    """A share of 1 in per cent."""
    if share is None or not math.isfinite(share):
        return UNKNOWN
    return f"{share * 100:.{digits}f} %"


def points(share: float | None, digits: int = 1) -> str:
    """A difference of shares in percentage points, with its sign."""
    if share is None or not math.isfinite(share):
        return UNKNOWN
    return f"{share * 100:+.{digits}f} points".replace("-", "−")  # noqa: RUF001  # a minus


def rate(bits_per_s: float | None) -> str:
    """A rate in the unit that leaves one to three digits before the point."""
    if bits_per_s is None or bits_per_s < 0:
        return UNKNOWN
    for unit, size in (("Tbit/s", 10**12), ("Gbit/s", 10**9), ("Mbit/s", 10**6), ("kbit/s", 10**3)):
        if bits_per_s >= size:
            return f"{bits_per_s / size:.3g} {unit}" if bits_per_s < 999.5 * size else f"{bits_per_s / size:.0f} {unit}"
    return f"{bits_per_s:.0f} bit/s"


def iso(ms: int | None) -> str:
    """RFC 3339 in UTC; empty where there is none."""
    return instant(ms) or ""


def at(ms: int | None) -> str:
    """An instant to the second, with its zone."""
    if ms is None:
        return UNKNOWN
    return (instant(ms // 1000 * 1000) or "").replace("T", " ").replace("Z", " UTC")


def at_short(ms: int | None) -> str:
    """The time of day of an instant."""
    return UNKNOWN if ms is None else datetime.fromtimestamp(ms / 1000, UTC).strftime("%H:%M:%S")


def time(ms: int | None) -> Markup | str:
    """An instant as an element that programs read as well."""
    if ms is None:
        return UNKNOWN
    return Markup('<time datetime="{}">{}</time>').format(iso(ms), at(ms))


def instant_time(text: str | None) -> Markup | str:
    """What REST tells as RFC 3339 in UTC, as an instant is written on pages."""
    return time(None if text is None else round(datetime.fromisoformat(text).timestamp() * 1000))


def lasting(ms: float) -> str:
    """A length of time in its two largest units."""
    return spoken.lasting(max(0, int(ms)))


def sentence(text: str) -> str:
    """Words as a sentence: begun with a capital letter, ended with a full stop."""
    begun = text[:1].upper() + text[1:]
    return begun if begun.endswith((".", "!", "?")) or not begun else f"{begun}."
