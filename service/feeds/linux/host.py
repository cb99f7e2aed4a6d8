"""A host's reading: its teams, and a sample of each of their ports in the columns of the counter file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.feeds.linux import interfaces
from service.feeds.linux.routes import MultipathRoute
from service.feeds.linux.teams import Found, HostTeam, Member, teams_of
from service.feeds.linux.tree import HostTree, Interface

# Octets are those of Ethernet frames without their check sequence: include/uapi/linux/if_link.h of the kernel,
# rtnl_link_stats64, rx_bytes and tx_bytes. A driver that counts otherwise breaks the kernel's word.
COUNTS = "no-fcs"
# Column of the counter file, and the kernel's counter. in_packets holds multicast and broadcast frames too.
COUNTERS = {
    "in_octets": "rx_bytes",
    "out_octets": "tx_bytes",
    "in_packets": "rx_packets",
    "out_packets": "tx_packets",
    "in_discards": "rx_dropped",
    "out_discards": "tx_dropped",
    "in_errors": "rx_errors",
    "out_errors": "tx_errors",
}

Sample = dict[str, Any]


@dataclass(frozen=True)
class Carrier:
    """How often a port's link came and went, and the uptime at which that was seen to move; None until it moves."""

    if_index: int | None
    changes: int | None
    moved_ticks: int | None = None


@dataclass(frozen=True)
class HostReading:
    """What a host said at one time."""

    at_ms: int
    uptime_ticks: int | None
    found: Found
    tree: HostTree
    carriers: Mapping[str, Carrier]

    def samples(self, device: str) -> list[Sample]:
        """A sample of every member of every team, in the columns of the counter file; what is not told is left out."""
        return [self._sample(device, team, member) for team in self.found.teams for member in team.members]

    def _sample(self, device: str, team: HostTeam, member: Member) -> Sample:
        told: Sample = {
            "time": self.at_ms / 1000,
            "device": device,
            "port": member.port,
            "team": team.name,
            **_counted(self.tree.interfaces[member.port]),
            **_facts(self.tree.interfaces[member.port]),
            "uptime_ticks": self.uptime_ticks,
            "last_change_ticks": self.carriers[member.port].moved_ticks,
            "role": member.role,
            "method": team.method,
            "bundle": team.bundle,
        }
        return {name: value for name, value in told.items() if value not in (None, "")}


def reading_of(
    tree: HostTree,
    multipath: Sequence[MultipathRoute],
    at_ms: int,
    before: Mapping[str, Carrier] | None = None,
) -> HostReading:
    """What the kernel's files say; `before` are the carriers of the reading before, by which a change is dated."""
    found = teams_of(tree, multipath)
    ticks = tree.uptime_ticks()
    ports = [member.port for team in found.teams for member in team.members]
    carriers = {port: _carrier(tree.interfaces[port], ticks, (before or {}).get(port)) for port in ports}
    return HostReading(at_ms, ticks, found, tree, carriers)


def _carrier(port: Interface, ticks: int | None, before: Carrier | None) -> Carrier:
    """A port that was made anew under its old name has an index of its own, and nothing is known of its past."""
    index, changes = port.number("ifindex"), port.number("carrier_changes")
    if before is None or before.if_index != index:
        return Carrier(index, changes)
    return Carrier(index, changes, before.moved_ticks if before.changes == changes else ticks)


def _counted(port: Interface) -> Sample:
    return {column: port.number(f"statistics/{name}") for column, name in COUNTERS.items()}


def _facts(port: Interface) -> Sample:
    return {
        "counter_bits": 64,
        "counts": COUNTS,
        "speed_bps": interfaces.speed_bps(port),
        "duplex": interfaces.duplex(port),
        "mtu": port.number("mtu"),
        "mac": interfaces.mac(port),
        "if_index": port.number("ifindex"),
        "oper_status": interfaces.oper_status(port),
    }
