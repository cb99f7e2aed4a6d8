"""SetRequest of one integer (RFC 3416, version 2c): the client library only reads, and tests of a real agent set."""

from __future__ import annotations

import socket

# Tags of ASN.1's basic encoding rules (ITU-T X.690) and of RFC 3416's protocol data units.
INTEGER, OCTETS, NULL, OID, SEQUENCE = 0x02, 0x04, 0x05, 0x06, 0x30
SET_REQUEST, RESPONSE = 0xA3, 0xA2
REQUEST_ID = 0x5E7


def integer(address: tuple[str, int], community: str, oid: str, value: int, timeout_s: float = 1.0) -> None:
    """Set an integer, and see that the agent took it."""
    varbind = _tlv(SEQUENCE, _oid(oid) + _integer(value))
    pdu = _tlv(SET_REQUEST, _integer(REQUEST_ID) + _integer(0) * 2 + _tlv(SEQUENCE, varbind))
    message = _tlv(SEQUENCE, _integer(1) + _tlv(OCTETS, community.encode()) + pdu)
    with socket.socket(socket.AF_INET6 if ":" in address[0] else socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.settimeout(timeout_s)
        asking.connect(address)
        asking.send(message)
        answer = asking.recv(4096)
    # An answer of no error holds the request id and two zeros, error-status and error-index, one after the other.
    if _integer(REQUEST_ID) + _integer(0) * 2 not in answer:
        raise OSError(f"the agent refused to set {oid} to {value}: {answer.hex()}")


def _tlv(tag: int, content: bytes) -> bytes:
    size = len(content)
    if size < 0x80:
        return bytes((tag, size)) + content
    return bytes((tag, 0x82)) + size.to_bytes(2, "big") + content


def _integer(value: int) -> bytes:
    return _tlv(INTEGER, value.to_bytes(value.bit_length() // 8 + 1, "big", signed=True))


def _oid(dotted: str) -> bytes:
    first, second, *rest = map(int, dotted.split("."))
    return _tlv(OID, b"".join(map(_base_128, (40 * first + second, *rest))))


def _base_128(number: int) -> bytes:
    octets = [number & 0x7F]
    while number := number >> 7:
        octets.append(number & 0x7F | 0x80)
    return bytes(reversed(octets))
