"""Times and lengths of time as people type them on the command line."""

from __future__ import annotations

import re

import click

LENGTH = r"\d{1,6}(?:s|m|h|)"
_LENGTH = re.compile(r"(\d{1,6})(s|m|h|)", re.ASCII)
_SECONDS = {"": 1, "s": 1, "m": 60, "h": 3600}


def instant_of(text: str, zone: str | None, option: str) -> int:
    """An instant in milliseconds since the epoch."""
    from service.errors import ServiceError
    from service.feeds.times import NoInstant, of_text, zone_named

    try:
        return of_text(text.strip(), zone_named(zone))
    except (NoInstant, ServiceError) as wrong:
        raise click.BadParameter(f"{text!r} {wrong}", param_hint=option) from wrong


def span_of(text: str, zone: str | None, option: str) -> tuple[int, int]:
    """A span of time in milliseconds, from a text like FROM/TO as ISO 8601 writes an interval."""
    first, stroke, last = text.partition("/")
    if not stroke:
        raise click.BadParameter(f"{text!r} is not FROM/TO", param_hint=option)
    start, end = (instant_of(part, zone, option) for part in (first, last))
    if end <= start:
        raise click.BadParameter(f"{text!r} ends before it begins", param_hint=option)
    return start, end


def length_ms_of(text: str, option: str) -> int:
    """Milliseconds from a text like 5m, 300 or 300s."""
    told = _LENGTH.fullmatch(text.strip())
    if told is None:
        raise click.BadParameter(f"{text!r} is not like 5m, 300s or 1h", param_hint=option)
    return int(told[1]) * _SECONDS[told[2]] * 1000
