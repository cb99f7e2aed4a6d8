"""What is finer than a port's counters: virtual ports and conversations, as sources tell of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

VIRTUAL_PORT, CONVERSATION = "virtual-port", "conversation"
ITEM_KINDS = (VIRTUAL_PORT, CONVERSATION)


class Endpoints(NamedTuple):
    """Between whom a conversation runs (the tuple of RFC 7011's information elements); empty and 0 where not told."""

    source: str = ""
    destination: str = ""
    protocol: int = 0
    source_port: int = 0
    destination_port: int = 0
    source_mac: str = ""
    destination_mac: str = ""


NO_ENDPOINTS = Endpoints()


@dataclass(frozen=True)
class ItemReading:
    """What a source counted of one item on one member in one direction over [start_ms, end_ms).

    `octets` are those of whole frames as far as the source tells them; `parts` is of how many
    conversations the item is made up, 0 where nobody counted. An item without a name is the rest
    of what the member carried, of which only the sum was kept.
    """

    device: str
    port: str
    direction: int
    kind: str
    name: str
    start_ms: int
    end_ms: int
    octets: int
    parts: int = 0
    endpoints: Endpoints = NO_ENDPOINTS
    source: str = ""  # which feed told it, as "ipfix", "sflow", "push", "csv"


@dataclass(frozen=True)
class Item:
    """An item's mean rate over a stretch of time; `port` is the member that carried it, empty where unknown."""

    kind: str
    name: str
    port: str
    bps: float
    parts: int = 0
    endpoints: Endpoints = NO_ENDPOINTS
