"""Single values as SNMP agents give them: numbers, texts and addresses, whatever type they came in."""

from __future__ import annotations

import re
from typing import Any

MOST_NAME = 255  # SnmpAdminString and DisplayString (RFC 3411, RFC 2579)
_HEX_PART = re.compile(r"[0-9A-Fa-f]{1,2}")


def whole(value: Any) -> int:
    """A number, 0 where the agent gave none."""
    return value if isinstance(value, int) else 0


def octets(value: Any) -> bytes:
    """An octet string, also where the client handed it over as text."""
    if isinstance(value, str):
        return value.encode("latin-1", "replace")
    return value if isinstance(value, bytes) else b""


def text(value: Any, most: int = MOST_NAME) -> str:
    """A text for people, bounded, without control characters or white space at its ends."""
    told = value.decode("utf-8", "replace") if isinstance(value, bytes) else value
    if not isinstance(told, str):
        return ""
    # Four times as much is looked at as is kept: an agent decides how long its text is.
    printable = "".join(letter if letter.isprintable() else " " for letter in told[: 4 * most].replace("\0", ""))
    return " ".join(printable.split())[:most].strip()


def hardware_address(value: Any) -> int:
    """Six octets as a 48-bit number, also where an agent wrote them as text (8c-60-4f-19-1c-1); 0 for anything else."""
    raw = octets(value)
    if len(raw) == 6:
        return int.from_bytes(raw, "big")
    parts = re.split("[-:]", raw.decode("latin-1"))
    if len(parts) != 6 or not all(map(_HEX_PART.fullmatch, parts)):
        return 0
    return int.from_bytes(bytes(int(part, 16) for part in parts), "big")
