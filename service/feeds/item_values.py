"""One pushed item by its columns, each value checked: text or number, whichever the form has."""

from __future__ import annotations

import ipaddress
import math
import re
from collections.abc import Mapping
from typing import Any

from service.feeds import times
from service.feeds.items_flows import MOST_OCTETS, name_of
from service.feeds.times import NoInstant
from service.terms import CONVERSATION, DIRECTIONS, ITEM_KINDS, VIRTUAL_PORT, Endpoints, ItemReading

PLACE = ("device", "port", "kind", "name")
STRETCH = ("direction", "start", "end", "octets", "bps", "parts")
COUNTER = ("time", "out_octets", "in_octets")
ENDS = ("source", "destination", "protocol", "source_port", "destination_port", "source_mac", "destination_mac")
COLUMNS = (*PLACE, *STRETCH, *COUNTER, *ENDS)
NEEDED = ("device", "port")
MOST_LETTERS = 255
LONGEST_MS = 86_400_000
MOST_COUNTER = 2**63 - 1
_WHOLE = re.compile(r"\d{1,20}", re.ASCII)
_MAC = re.compile(r"[0-9a-f]{2}(:[0-9a-f]{2}){5}", re.ASCII)
Row = Mapping[str, Any]


class Unusable(ValueError):
    """A value cannot be used: whose, and how to mend it."""

    def __init__(self, column: str, value: Any, reason: str) -> None:
        super().__init__(reason)
        self.column, self.value, self.reason = column, str(value), f"{column} {reason}" if column else reason


def is_counter(row: Row) -> bool:
    """Whether an item is told by running counters."""
    return any(name in row for name in COUNTER)


def counter(row: Row) -> tuple[str, str, str, int, int, int]:
    """Device, port, name, instant, octets out and octets in of a virtual port."""
    if stray := next((name for name in (*STRETCH, *ENDS) if name in row), None):
        raise Unusable(stray, row[stray], "does not go with running counters; leave it out")
    if (kind := row.get("kind", VIRTUAL_PORT)) != VIRTUAL_PORT:
        raise Unusable("kind", kind, f"does not go with running counters; only a {VIRTUAL_PORT} has them")
    counts = (_whole(row, "out_octets", MOST_COUNTER), _whole(row, "in_octets", MOST_COUNTER))
    return _text(row, "device"), _text(row, "port"), _text(row, "name"), _instant(row, "time"), *counts


def reading(row: Row, source: str) -> ItemReading:
    """What was carried of an item over a stretch in one direction."""
    start_ms, end_ms = _instant(row, "start"), _instant(row, "end")
    if not 0 < end_ms - start_ms <= LONGEST_MS:
        raise Unusable("end", row["end"], "must come after start, by a day at most")
    ends = _ends(row)
    kind = row.get("kind", CONVERSATION if any(ends) else VIRTUAL_PORT)
    if kind not in ITEM_KINDS:
        raise Unusable("kind", kind, f"is none of {', '.join(ITEM_KINDS)}")
    return ItemReading(
        _text(row, "device"),
        _text(row, "port"),
        _direction(row),
        kind,
        _name(row, kind, ends),
        start_ms,
        end_ms,
        _octets(row, end_ms - start_ms),
        parts=_whole(row, "parts", 2**31 - 1) if "parts" in row else int(kind == CONVERSATION),
        endpoints=ends,
        source=source,
    )


def _name(row: Row, kind: str, ends: Endpoints) -> str:
    if "name" in row:
        return _text(row, "name")
    named = name_of(ends) if kind == CONVERSATION else ""
    if not named:
        raise Unusable("name", "", "is needed, or source and destination of a conversation")
    return named


def _direction(row: Row) -> int:
    told = row.get("direction")
    if told not in DIRECTIONS:
        raise Unusable("direction", told, f"must be {' or '.join(DIRECTIONS)}, as seen from the device")
    return DIRECTIONS.index(told)


def _octets(row: Row, length_ms: int) -> int:
    if ("octets" in row) == ("bps" in row):
        raise Unusable("octets", row.get("octets", ""), "or bps is needed, one of them")
    if "octets" in row:
        return _whole(row, "octets", MOST_OCTETS)
    octets = _number(row, "bps") * length_ms / 8000
    if octets > MOST_OCTETS:
        raise Unusable("bps", row["bps"], "is more than any port carries")
    return round(octets)


def _ends(row: Row) -> Endpoints:
    return Endpoints(
        _address(row, "source"),
        _address(row, "destination"),
        _whole(row, "protocol", 255, 0),
        _whole(row, "source_port", 65_535, 0),
        _whole(row, "destination_port", 65_535, 0),
        _mac(row, "source_mac"),
        _mac(row, "destination_mac"),
    )


def _text(row: Row, name: str) -> str:
    value = row.get(name, "")
    if not isinstance(value, str) or not value.strip():
        raise Unusable(name, value, "must be a text and not empty")
    if len(value) > MOST_LETTERS or not value.isprintable():
        raise Unusable(name, value, f"has more than {MOST_LETTERS} letters, or one that cannot be printed")
    return value.strip()


def _instant(row: Row, name: str) -> int:
    value = row.get(name)
    try:
        if isinstance(value, str):
            return times.of_text(value)
        if isinstance(value, int | float) and not isinstance(value, bool):
            return times.of_seconds(value)
    except (NoInstant, OverflowError) as wrong:
        raise Unusable(name, value, str(wrong)) from None
    raise Unusable(name, value, f"is no instant; {times.REMEDY}")


def _whole(row: Row, name: str, most: int, otherwise: int | None = None) -> int:
    value = row.get(name, otherwise)
    told = int(value) if isinstance(value, str) and _WHOLE.fullmatch(value) else value
    if not isinstance(told, int) or isinstance(told, bool) or not 0 <= told <= most:
        raise Unusable(name, value, f"must be a whole number from 0 to {most}")
    return told


def _number(row: Row, name: str) -> float:
    value = row[name]
    try:
        told = float(value) if isinstance(value, str | int | float) and not isinstance(value, bool) else -1.0
    except (ValueError, OverflowError):
        told = -1.0
    if not math.isfinite(told) or told < 0:
        raise Unusable(name, value, "must be a number, 0 or more")
    return told


def _address(row: Row, name: str) -> str:
    if (value := row.get(name)) is None:
        return ""
    try:
        if isinstance(value, str):
            return str(ipaddress.ip_address(value))
    except ValueError:
        pass
    raise Unusable(name, value, "must be an address of IPv4 or IPv6")


def _mac(row: Row, name: str) -> str:
    value = row.get(name, "")
    if value and not (isinstance(value, str) and _MAC.fullmatch(value.lower())):
        raise Unusable(name, value, "must be a hardware address like 00:00:5e:00:53:01")
    return str(value).lower()
