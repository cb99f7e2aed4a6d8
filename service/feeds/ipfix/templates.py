"""Templates of one exporter: which fields its records have (RFC 7011 sections 3.4, 7 and 8)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from service.errors import BrokenDatagram

VARIABLE = 0xFFFF
REVERSED = 29_305 << 16  # the enterprise number of RFC 5103: the same element, of the other direction
LEAST_ID = 256
TEMPLATE_SET, OPTIONS_SET = 2, 3
MOST_TEMPLATES = 1000  # of one exporter and domain
MOST_FIELDS = 500
_PAIR, _WORD = struct.Struct("!HH"), struct.Struct("!I")


class Template(NamedTuple):
    """Fields in their order, each a key (enterprise << 16 | element) and its octets, VARIABLE where each says."""

    fields: tuple[tuple[int, int], ...]
    least: int  # octets that the shortest record has
    fixed: bool
    options: bool


@dataclass
class Domain:
    """What one observation domain said: its templates, and what its options tell of all its records."""

    templates: dict[int, Template] = field(default_factory=dict)
    started_ms: int = 0  # systemInitTimeMilliseconds
    sampling: float = 1.0  # one packet of so many was metered
    next_sequence: int | None = None


def learn(domain: Domain, body: bytes, *, options: bool) -> None:
    """Take in the templates of a set; withdrawals are passed over, as whoever hears by UDP must (section 8.4)."""
    at = 0
    while len(body) - at >= 4:
        number, count = _PAIR.unpack_from(body, at)
        if number == 0 and not any(body[at:]):
            return  # padding
        at = at + 4 if count == 0 else _learn_one(domain, body, at, options=options)


def _learn_one(domain: Domain, body: bytes, at: int, *, options: bool) -> int:
    number, count = _PAIR.unpack_from(body, at)
    at += 4
    if options:
        if len(body) - at < 2 or not 0 < int.from_bytes(body[at : at + 2]) <= count:
            raise BrokenDatagram("IPFIX", f"has options template {number} without a scope")
        at += 2
    if number < LEAST_ID or count > MOST_FIELDS:
        raise BrokenDatagram("IPFIX", f"has template {number} of {count} fields, which can be none")
    fields = []
    for _ in range(count):
        key, length, at = _field(body, at)
        fields.append((key, length))
    if not all(length for _, length in fields):
        # Such a field says nothing, and many of them would make reading a record cost more than its octets.
        raise BrokenDatagram("IPFIX", f"has template {number} with a field of no length")
    least = sum(1 if length == VARIABLE else length for _, length in fields)
    if number not in domain.templates and len(domain.templates) >= MOST_TEMPLATES:
        raise BrokenDatagram("IPFIX", f"brings more than {MOST_TEMPLATES} templates")
    fixed = all(length != VARIABLE for _, length in fields)
    domain.templates[number] = Template(tuple(fields), least, fixed, options)
    return at


def _field(body: bytes, at: int) -> tuple[int, int, int]:
    """Key and length of the field specifier at a place, and where the next one begins."""
    if len(body) - at < 4:
        raise BrokenDatagram("IPFIX", "ends within a template")
    element, length = _PAIR.unpack_from(body, at)
    if not element & 0x8000:
        return element, length, at + 4
    if len(body) - at < 8:
        raise BrokenDatagram("IPFIX", "ends within a template")
    (enterprise,) = _WORD.unpack_from(body, at + 4)
    return (enterprise << 16) | (element & 0x7FFF), length, at + 8


def records(template: Template, body: bytes) -> Iterator[dict[int, bytes]]:
    """The records of a data set by key; of a key that comes twice the first counts. Padding is shorter than one."""
    at = 0
    while len(body) - at >= template.least:
        told: dict[int, bytes] = {}
        for key, stated in template.fields:
            length, at = _length(body, at) if stated == VARIABLE else (stated, at)
            if len(body) - at < length:
                raise BrokenDatagram("IPFIX", "ends within a record")
            told.setdefault(key, body[at : at + length])
            at += length
        yield told


def _length(body: bytes, at: int) -> tuple[int, int]:
    """The length of a field that says its own, in one octet or in three (RFC 7011 section 7)."""
    if len(body) - at < 1:
        raise BrokenDatagram("IPFIX", "ends within a record")
    if body[at] < 0xFF:
        return body[at], at + 1
    if len(body) - at < 3:
        raise BrokenDatagram("IPFIX", "ends within a record")
    return int.from_bytes(body[at + 1 : at + 3]), at + 3
