"""Whether bytes are text that we read: UTF-8, and something at all."""

from __future__ import annotations

import codecs

from service.errors import UnusableInput

# The longer marks first: UTF-32's little-endian one begins with UTF-16's.
_MARKS = (
    (codecs.BOM_UTF32_LE, "UTF-32"),
    (codecs.BOM_UTF32_BE, "UTF-32"),
    (codecs.BOM_UTF16_LE, "UTF-16"),
    (codecs.BOM_UTF16_BE, "UTF-16"),
)
REMEDY = "save it as UTF-8"


def without_mark(head: bytes, where: str) -> bytes:
    """The bytes without UTF-8's byte order mark; refused where they are empty or plainly another encoding."""
    for mark, name in _MARKS:
        if head.startswith(mark):
            raise UnusableInput(where, f"is {name}", REMEDY)
    head = head.removeprefix(codecs.BOM_UTF8)
    if not head:
        raise UnusableInput(where, "is empty", "it must hold at least one sample")
    if b"\0" in head[:1024].split(b"\n", 1)[0]:
        raise UnusableInput(where, "holds NUL octets, so it is UTF-16 or no text at all", REMEDY)
    return head


def text_of(octets: bytes, where: str) -> str:
    """Bytes as text; refused with the place where they are no UTF-8."""
    try:
        return octets.decode()
    except UnicodeDecodeError as wrong:
        raise UnusableInput(where, f"is no UTF-8 at octet {wrong.start}", REMEDY) from wrong
