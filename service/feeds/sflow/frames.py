"""Between whom a sampled frame runs, from as much of its head as was sent along."""

from __future__ import annotations

import struct

from service.feeds.items_flows import address, mac
from service.terms import NO_ENDPOINTS, Endpoints

IPV4, IPV6, TAGS = 0x0800, 0x86DD, frozenset({0x8100, 0x88A8})
MOST_TAGS = 4
WITH_PORTS = frozenset({6, 17, 132})  # TCP, UDP, SCTP
_TWO = struct.Struct("!HH")


def of_ethernet(head: bytes) -> Endpoints:
    """The ends of an Ethernet frame; those of IP only as far as the head reaches."""
    if len(head) < 14:
        return NO_ENDPOINTS
    at, kind = 14, int.from_bytes(head[12:14])
    for _ in range(MOST_TAGS):
        if kind not in TAGS or len(head) < at + 4:
            break
        kind, at = int.from_bytes(head[at + 2 : at + 4]), at + 4
    inner = of_ipv4(head[at:]) if kind == IPV4 else of_ipv6(head[at:]) if kind == IPV6 else NO_ENDPOINTS
    return inner._replace(source_mac=mac(head[6:12]), destination_mac=mac(head[:6]))


def of_ipv4(head: bytes) -> Endpoints:
    """The ends of an IPv4 packet (RFC 791); a fragment but the first has no ports."""
    if len(head) < 20 or head[0] >> 4 != 4:
        return NO_ENDPOINTS
    ends = Endpoints(address(head[12:16]), address(head[16:20]), head[9])
    is_first = int.from_bytes(head[6:8]) & 0x1FFF == 0
    return _with_ports(ends, head[4 * (head[0] & 0xF) :]) if is_first else ends


def of_ipv6(head: bytes) -> Endpoints:
    """The ends of an IPv6 packet (RFC 8200); ports only where they follow the fixed header."""
    if len(head) < 40 or head[0] >> 4 != 6:
        return NO_ENDPOINTS
    return _with_ports(Endpoints(address(head[8:24]), address(head[24:40]), head[6]), head[40:])


def _with_ports(ends: Endpoints, rest: bytes) -> Endpoints:
    if ends.protocol not in WITH_PORTS or len(rest) < 4:
        return ends
    source, destination = _TWO.unpack_from(rest)
    return ends._replace(source_port=source, destination_port=destination)
