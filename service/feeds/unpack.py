"""Unpacking what was compressed on its way, under a limit of its own: a small body may unpack to anything."""

from __future__ import annotations

import zlib

from service.errors import TooLarge, UnsupportedForm, UnusableInput

_GZIP = 31  # zlib's number for a window of 2^15 in a gzip wrapper
_AT_ONCE = 1 << 20
# What zlib has not used it copies: at the end of each member that must not be all the rest of the body.
_STEP = 4096
WHERE = "body"


def unpacked(body: bytes, encoding: str, limit: int) -> bytes:
    """The octets of a body whose content encoding is `encoding`, at most `limit` of them."""
    coding = encoding.strip().lower()
    if coding in ("gzip", "x-gzip"):
        return _gunzipped(body, limit)
    if coding not in ("", "identity"):
        raise UnsupportedForm(WHERE, f"content encoding {encoding[:40]!r} is not read here", "send gzip or none")
    if len(body) > limit:
        raise _too_large(limit)
    return body


def _gunzipped(body: bytes, limit: int) -> bytes:
    pieces: list[bytes] = []
    room, at = limit, 0
    while at < len(body) or not at:  # a gzip file may have several members, one after the other
        member, at = _member(body, at, room, limit)
        room -= sum(map(len, member))
        pieces += member
    return b"".join(pieces)


def _member(body: bytes, at: int, room: int, limit: int) -> tuple[list[bytes], int]:
    """The pieces of the member that begins at an octet, and the octet after its end."""
    unpacker = zlib.decompressobj(_GZIP)
    pieces: list[bytes] = []
    while not unpacker.eof:
        packed = body[at : at + _STEP]
        piece = _piece(unpacker, packed)
        room -= len(piece)
        if room < 0:
            raise _too_large(limit)
        if not piece and not packed:
            raise UnusableInput(WHERE, "the gzip data ends too soon", "send it again, whole")
        at += len(packed) - len(unpacker.unconsumed_tail) - len(unpacker.unused_data)
        pieces.append(piece)
    return pieces, at


def _piece(unpacker: zlib._Decompress, packed: bytes) -> bytes:
    try:
        return unpacker.decompress(packed, _AT_ONCE)
    except zlib.error as wrong:
        raise UnusableInput(WHERE, f"is not gzip data ({wrong})", "send what content encoding says") from wrong


def _too_large(limit: int) -> TooLarge:
    return TooLarge(WHERE, f"unpacks to more than {limit} octets", "send smaller batches")
