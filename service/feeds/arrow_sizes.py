"""How large an Arrow stream says it is, read from its messages before any buffer is unpacked.

Source: the Arrow columnar format, "Serialization and Interprocess Communication", and its
Message.fbs: a compressed buffer begins with its unpacked length as a little-endian int64.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

_CONTINUATION = 0xFFFFFFFF
_DICTIONARY_BATCH, _RECORD_BATCH = 2, 3  # MessageHeader of Message.fbs
_BUFFER_OCTETS = 16  # struct Buffer: offset, length
_NODE_OCTETS = 16  # struct FieldNode: length, null_count


class NotAStream(ValueError):
    """Octets are no Arrow stream, or end within a message."""


class Flat:
    """One table of a flatbuffer: where each of its fields stands."""

    def __init__(self, octets: memoryview, at: int) -> None:
        self.octets = octets
        self.at = at
        self.fields = at - _int(octets, "<i", at)

    def place(self, field: int) -> int | None:
        """Where a field stands; None where the table leaves it out."""
        entry = 4 + 2 * field
        if entry >= _int(self.octets, "<H", self.fields):
            return None
        away = _int(self.octets, "<H", self.fields + entry)
        return self.at + away if away else None

    def number(self, field: int, form: str) -> int:
        """A number, 0 where the table leaves it out."""
        place = self.place(field)
        return 0 if place is None else _int(self.octets, form, place)

    def table(self, field: int) -> Flat | None:
        """Another table that a field points to."""
        place = self.place(field)
        return None if place is None else Flat(self.octets, place + _int(self.octets, "<I", place))

    def vector(self, field: int) -> tuple[int, int]:
        """Where a vector begins and how many elements it has."""
        place = self.place(field)
        if place is None:
            return 0, 0
        start = place + _int(self.octets, "<I", place)
        return start + 4, _int(self.octets, "<I", start)


def unpacked(body: bytes) -> tuple[int, int]:
    """How many rows the record batches of a stream hold, and how many octets its buffers take unpacked."""
    rows = octets = 0
    octets_of = memoryview(body)
    for head, start, end in _messages(octets_of):
        kind = head.number(1, "<B")
        batch = head.table(2)
        if batch is not None and kind == _DICTIONARY_BATCH:
            batch = batch.table(1)
        if batch is None or kind not in (_DICTIONARY_BATCH, _RECORD_BATCH):
            continue
        octets += _buffers(batch, octets_of[start:end])
        longest = max([batch.number(0, "<q"), *_lengths(batch)])
        rows += longest if kind == _RECORD_BATCH else 0
        octets += longest  # a column of nulls has rows and no octets
    return rows, octets


def _messages(octets: memoryview) -> Iterator[tuple[Flat, int, int]]:
    at = 0
    while at + 4 <= len(octets):
        size = _int(octets, "<I", at)
        at += 4
        if size == _CONTINUATION:
            size = _int(octets, "<I", at)
            at += 4
        if size == 0:
            return
        head = Flat(octets[at : at + size], _int(octets, "<I", at))
        start = at + size
        at = start + head.number(3, "<q")
        if not start <= at <= len(octets):
            raise NotAStream("a message ends too soon")
        yield head, start, at


def _buffers(batch: Flat, body: memoryview) -> int:
    """The octets that a batch's buffers take, unpacked where they are packed."""
    first, count = batch.vector(2)
    packed = batch.table(3) is not None
    total = 0
    for at in range(first, first + count * _BUFFER_OCTETS, _BUFFER_OCTETS):
        offset, length = _int(batch.octets, "<q", at), _int(batch.octets, "<q", at + 8)
        told = _int(body, "<q", offset) if packed and length >= 8 else -1
        total += max(length, told, 0)
    return total


def _lengths(batch: Flat) -> list[int]:
    first, count = batch.vector(1)
    return [_int(batch.octets, "<q", at) for at in range(first, first + count * _NODE_OCTETS, _NODE_OCTETS)]


def _int(octets: memoryview, form: str, at: int) -> int:
    if at < 0:
        raise NotAStream("an offset points before the message")
    try:
        return int(struct.unpack_from(form, octets, at)[0])
    except struct.error as outside:
        raise NotAStream("an offset points behind the message") from outside
