"""Lists of ports in one octet string: a bit a port, or what some agents write instead."""

from __future__ import annotations

import re
from collections.abc import Iterable

_AS_TEXT = re.compile(rb"\s*\d{1,9}(\s*-\s*\d{1,9})?(\s*,\s*\d{1,9}(\s*-\s*\d{1,9})?)*\s*,?\s*\Z")


def ports_of(octets: bytes) -> tuple[int, ...]:
    """The ports of a PortList (RFC 4363): the high-order bit of the first octet is port 1.

    >>> ports_of(b"\\x08\\x80")
    (5, 9)
    """
    return tuple(
        8 * place + bit + 1 for place, octet in enumerate(octets) if octet for bit in range(8) if octet & 0x80 >> bit
    )


def texts_among(lists: Iterable[bytes]) -> frozenset[bytes]:
    """Those lists of one agent that it wrote for people to read, `21-22` or `23, `, which no standard allows.

    A single digit may as well be bits (0x33 is ports 3, 4, 7 and 8): it is text where another list is.
    """
    digits = [one for one in lists if _AS_TEXT.match(one)]
    return frozenset(digits) if any(len(one) > 1 for one in digits) else frozenset()
