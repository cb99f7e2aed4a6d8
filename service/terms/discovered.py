"""What devices say of their teams beyond counters, and what people declared of them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from typing import Any, NamedTuple

from service.terms.words import OperStatus, Role


class LacpState(IntFlag):
    """A partner's or an actor's state in the order of the LACPDU's octet (IEEE 802.1AX); SNMP tells it mirrored."""

    ACTIVITY = 1
    TIMEOUT = 2
    AGGREGATION = 4
    SYNCHRONIZATION = 8
    COLLECTING = 16
    DISTRIBUTING = 32
    DEFAULTED = 64
    EXPIRED = 128


class Reply(NamedTuple):
    """What one request brought: when it went out, when its answer came, and the values by object identifier.

    Identifiers are dotted without a leading dot; what the agent does not have is absent.
    """

    sent_ms: int
    received_ms: int
    values: dict[str, Any]


class BundleState(NamedTuple):
    """What LACP says of one member: both ends' states, and who is at the other end; None and 0 where not told."""

    actor: int | None = None
    partner: int | None = None
    partner_system: int = 0  # hardware address as a 48-bit integer
    partner_key: int = 0
    partner_port: int = 0


NO_STATE = BundleState()


@dataclass(frozen=True)
class DiscoveredPort:
    """A port as its device describes it; `team` is empty for nobody's member.

    `aggregate_of` names the team whose aggregator interface this is: it carries its members'
    traffic once more and is never a member itself. `said_by` is where membership was read.
    """

    port: str
    if_index: int = 0
    team: str = ""
    role: Role = Role.NOT_TOLD
    aggregate_of: str = ""
    mac: int = 0
    speed_bps: int = 0
    mtu: int = 0
    oper: OperStatus = OperStatus.NOT_TOLD
    alias: str = ""
    description: str = ""
    said_by: str = ""
    state: BundleState = NO_STATE


@dataclass(frozen=True)
class Discovered:
    """What a device says of its ports and teams; `notes` say in words what deviates from the standards.

    `methods` and `bundles` tell of teams, by name, how they distribute and what the far end is, where known.
    """

    device: str
    ports: tuple[DiscoveredPort, ...]
    notes: tuple[str, ...] = ()
    methods: tuple[tuple[str, str], ...] = ()
    bundles: tuple[tuple[str, str], ...] = ()


DECLARED, DISCOVERED = "declared", "discovered"


@dataclass(frozen=True)
class Claim:
    """What somebody says of one port: people in an inventory (`declared`), or its device (`discovered`)."""

    device: str
    port: str
    said_by: str
    team: str = ""
    role: Role = Role.NOT_TOLD
    override: bool = False  # declared, and to be believed against what the device says
    aggregate_of: str = ""
    if_index: int = 0
    mac: int = 0
    far_device: str = ""
    far_port: str = ""
    owner: str = ""
    site: str = ""
    state: BundleState = NO_STATE
    alias: str = ""
    source: str = ""  # where the device's word was read, or the inventory file


@dataclass(frozen=True)
class Reconciled:
    """What is believed of one port once everybody was heard; `conflict` says in words where they disagree."""

    device: str
    port: str
    team: str = ""
    role: Role = Role.NOT_TOLD
    declared: Claim | None = None
    discovered: Claim | None = None
    conflict: str = ""
