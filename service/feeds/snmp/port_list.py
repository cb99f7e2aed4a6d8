"""Lists of ports in one octet string: a bit a port, or what some agents write instead."""

from __future__ import annotations

import re

_AS_TEXT = re.compile(rb"\s*\d{1,9}(\s*-\s*\d{1,9})?(\s*,\s*\d{1,9}(\s*-\s*\d{1,9})?)*\s*,?\s*\Z")
_MOST = 4096  # a text such as 1-999999999 is no list of a team's ports


def ports_of(octets: bytes) -> tuple[int, ...]:
    """The ports of a PortList (RFC 4363): the high-order bit of the first octet is port 1.

    >>> ports_of(b"\\x08\\x80")
    (5, 9)
    """
    return tuple(
        8 * place + bit + 1 for place, octet in enumerate(octets) if octet for bit in range(8) if octet & 0x80 >> bit
    )


def is_text(octets: bytes) -> bool:
    """Whether an agent wrote the list for people to read, `21-22` or `23, `, which no standard allows."""
    return _AS_TEXT.match(octets) is not None


def ports_in_text(octets: bytes) -> tuple[int, ...]:
    """The ports of a list written as text.

    >>> ports_in_text(b"17-18, 21")
    (17, 18, 21)
    """
    ports: list[int] = []
    for part in octets.decode("ascii").split(","):
        first, _, last = part.strip().partition("-")
        if first:
            span = range(int(first), int(last or first) + 1)
            ports += span[:_MOST]
    return tuple(ports[:_MOST])
