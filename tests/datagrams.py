"""Datagrams for tests: those of a capture, and some made from the specifications octet by octet."""

from __future__ import annotations

import struct
from pathlib import Path

FEEDS = Path(__file__).parent / "feeds"


def captured(protocol, name):
    """The datagrams of a capture, in the order in which they came."""
    octets, at, found = (FEEDS / protocol / "captures" / f"{name}.bin").read_bytes(), 0, []
    while at < len(octets):
        (length,) = struct.unpack_from("!H", octets, at)
        found.append(octets[at + 2 : at + 2 + length])
        at += 2 + length
    return found


def ipfix_set(number, body):
    """A set of RFC 7011 section 3.3."""
    return struct.pack("!HH", number, 4 + len(body)) + body


def ipfix(*sets, sequence=0, export_s=1_795_600_860, domain=1):
    """A message of RFC 7011 section 3.1."""
    body = b"".join(sets)
    return struct.pack("!HHIII", 10, 16 + len(body), export_s, sequence, domain) + body


def template(number, *fields):
    """A template record of fields, each an element and its length, or an element, its length and an enterprise."""
    told = struct.pack("!HH", number, len(fields))
    for element, length, *enterprise in fields:
        told += struct.pack("!HH", element | (0x8000 if enterprise else 0), length)
        told += struct.pack("!I", enterprise[0]) if enterprise else b""
    return told


# Octets and packets between two addresses, at an ingress and an egress interface.
PLAIN = ((1, 8), (2, 8), (8, 4), (12, 4), (4, 1), (7, 2), (11, 2), (10, 4), (14, 4), (152, 8), (153, 8))
PLAIN_TEMPLATE = ipfix_set(2, template(256, *PLAIN))


def plain_record(octets, packets, start_ms, end_ms, *, in_index=0, out_index=11, source_port=49_152):
    """A record of the template PLAIN: 192.0.2.10 to port 2049 of 198.51.100.7 over TCP."""
    ends = struct.pack("!4s4sBHH", bytes([192, 0, 2, 10]), bytes([198, 51, 100, 7]), 6, source_port, 2049)
    return struct.pack("!QQ", octets, packets) + ends + struct.pack("!IIQQ", in_index, out_index, start_ms, end_ms)


HEAD = bytes.fromhex("00005e005302 00005e005301 0800") + bytes.fromhex(
    "4500 05dc 0000 4000 40 06 0000 c000020a c6336407 c000 0801 00000000 00000000 5010 0000 0000 0000".replace(" ", "")
)


def opaque(octets):
    """Octets as XDR has them (RFC 4506 section 4.10)."""
    return struct.pack("!I", len(octets)) + octets + bytes(-len(octets) % 4)


def flow_sample(*, rate=1000, source=11, in_index=11, out_index=12, frame=1518, head=HEAD, expanded=False):
    """A packet sample with the head of its frame, compact or expanded."""
    sides = struct.pack("!IIII", 0, in_index, 0, out_index) if expanded else struct.pack("!II", in_index, out_index)
    of = struct.pack("!II", 0, source) if expanded else struct.pack("!I", source)
    raw = struct.pack("!III", 1, frame, 4) + opaque(head)
    body = struct.pack("!I", 7) + of + struct.pack("!III", rate, 0, 0) + sides
    body += struct.pack("!I", 1) + struct.pack("!I", 1) + opaque(raw)
    return struct.pack("!I", 3 if expanded else 1) + opaque(body)


def sflow(*samples, sequence=1):
    """A datagram of version 5 of the agent 192.0.2.7."""
    head = struct.pack("!II4sIIII", 5, 1, bytes([192, 0, 2, 7]), 0, sequence, 60_000, len(samples))
    return head + b"".join(samples)
