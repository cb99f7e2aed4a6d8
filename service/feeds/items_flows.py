"""What an exporter metered of one conversation, whichever protocol told it, and the name a conversation goes by."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from typing import NamedTuple

from service.terms import NO_ENDPOINTS, Endpoints

# Two hours at 10 Tbit/s: whoever tells of more in one record is broken.
MOST_OCTETS = 9_000_000_000_000_000
UNKNOWN_SIDE, INGRESS_SIDE, EGRESS_SIDE = -1, 0, 1
# Protocol numbers of the IANA registry that have ports, and those that are met most without.
PROTOCOLS: Mapping[int, str] = {1: "icmp", 6: "tcp", 17: "udp", 47: "gre", 50: "esp", 58: "icmp6", 132: "sctp"}


class Flow(NamedTuple):
    """Octets of whole frames between two ends over [start_ms, end_ms), and the interfaces they passed.

    Interfaces are ifIndex of RFC 2863, 0 where not told. `side` says at which of the two it was metered.
    """

    in_index: int
    out_index: int
    side: int
    octets: int
    packets: int
    start_ms: int
    end_ms: int
    endpoints: Endpoints = NO_ENDPOINTS


def name_of(ends: Endpoints) -> str:
    """What a conversation is called: its addresses and ports, else its hardware addresses; empty where neither."""
    if not ends.source and not ends.destination:
        return f"{ends.source_mac} > {ends.destination_mac}" if ends.source_mac or ends.destination_mac else ""
    named = PROTOCOLS.get(ends.protocol, f"protocol {ends.protocol}")
    return f"{_place(ends.source, ends.source_port)} > {_place(ends.destination, ends.destination_port)} {named}"


def address(octets: bytes) -> str:
    """An address of 4 or 16 octets as it is written (RFC 5952); empty where it is none."""
    return str(ipaddress.ip_address(octets)) if len(octets) in {4, 16} else ""


def mac(octets: bytes) -> str:
    """A hardware address as it is written, empty where all of it is 0."""
    return octets.hex(":") if len(octets) == 6 and any(octets) else ""


def _place(of: str, port: int) -> str:
    if not port:
        return of
    return f"[{of}]:{port}" if ":" in of else f"{of}:{port}"
