"""Just enough of BER (ITU-T X.690) for an SNMP agent of our own: what is written, and how a request is taken apart."""

from typing import NamedTuple

Oid = tuple[int, ...]

# Tags of RFC 3416, section 3, and RFC 2578, section 7.1.
INTEGER, OCTETS, NULL, IDENTIFIER, SEQUENCE = 0x02, 0x04, 0x05, 0x06, 0x30
COUNTER, GAUGE, TICKS, COUNTER64 = 0x41, 0x42, 0x43, 0x46
NO_SUCH_INSTANCE, END_OF_VIEW = b"\x81\x00", b"\x82\x00"
GET, GET_NEXT, RESPONSE, GET_BULK = 0xA0, 0xA1, 0xA2, 0xA5


class Asked(NamedTuple):
    """A request taken apart: its head as it came, what it asks by which PDU, and the two figures after its number."""

    version: int
    community: bytes
    pdu: int
    number: bytes
    first: int
    second: int
    oids: list[Oid]


def oid(text: str) -> Oid:
    return tuple(map(int, text.split(".")))


def tagged(tag: int, content: bytes) -> bytes:
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    length = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes((tag, 0x80 | len(length))) + length + content


def number(value: int, tag: int = INTEGER) -> bytes:
    return tagged(tag, value.to_bytes(value.bit_length() // 8 + 1, "big", signed=True))


def octets(value: bytes | str) -> bytes:
    return tagged(OCTETS, value.encode() if isinstance(value, str) else value)


def identifier(value: Oid) -> bytes:
    content = bytearray([value[0] * 40 + value[1]])
    for part in value[2:]:
        content += _base_128(part)
    return tagged(IDENTIFIER, bytes(content))


def _base_128(part: int) -> bytes:
    digits = [part & 0x7F]
    while part := part >> 7:
        digits.append(part & 0x7F | 0x80)
    return bytes(reversed(digits))


def asked(datagram: bytes) -> Asked:
    """A request as it came; what is none raises IndexError or ValueError."""
    _, at, _ = _head(datagram, 0)
    version, at = _number(datagram, at)
    _, start, at = _head(datagram, at)
    community = datagram[start:at]
    pdu, at, _ = _head(datagram, at)
    _, start, end = _head(datagram, at)
    first, at = _number(datagram, end)
    second, at = _number(datagram, at)
    return Asked(version, community, pdu, datagram[start:end], first, second, _oids(datagram, at))


def _oids(datagram: bytes, at: int) -> list[Oid]:
    _, at, end = _head(datagram, at)
    found = []
    while at < end:
        _, start, at = _head(datagram, at)
        _, start, stop = _head(datagram, start)
        found.append(_identifier(datagram[start:stop]))
    return found


def _head(datagram: bytes, at: int) -> tuple[int, int, int]:
    """A tag, and where its content starts and ends."""
    tag, size, at = datagram[at], datagram[at + 1], at + 2
    if size & 0x80:
        more = size & 0x7F
        size, at = int.from_bytes(datagram[at : at + more], "big"), at + more
    return tag, at, at + size


def _number(datagram: bytes, at: int) -> tuple[int, int]:
    _, start, end = _head(datagram, at)
    return int.from_bytes(datagram[start:end], "big", signed=True), end


def _identifier(content: bytes) -> Oid:
    parts, part = [content[0] // 40, content[0] % 40], 0
    for digit in content[1:]:
        part = part << 7 | digit & 0x7F
        if not digit & 0x80:
            parts.append(part)
            part = 0
    return tuple(parts)
