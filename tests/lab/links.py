"""The links of the laboratory, and who may change what about them while it runs.

    gen --up0/down0-- agg == p1..pN / q1..qN == snk       p and q are shaped to one speed
                       |
                       +-- mgmt0/m0 -- mgr                the service asks from here

An equal-cost multipath route of `agg` deals conversations out to p1..pN: the kernel's own hash, as in production.
Addresses are of the range for benchmarks (RFC 2544), which no real host has.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from lab.namespaces import LabTrouble, execute, ip, run, sysctl

ROLES = ("gen", "agg", "snk", "mgr")
SENDERS, RECEIVERS = "198.18.1", "198.18.2"
AGENT, ASKER = "198.19.0.1", "198.19.0.2"
TEAM = "po1"
BPS = 20_000_000
# What a frame takes on the wire and no counter of a veth sees: check sequence 4, preamble 8, gap 12 (IEEE 802.3).
WIRE_OCTETS = 24
QUEUE_S, BURST_S, LARGEST_FRAME = 0.040, 0.004, 1538

# What `fib_multipath_hash_policy` hashes (ip-sysctl of the kernel's documentation). Policy 1 would also hash ports, but
# between namespaces a veth keeps the sending socket's random hash, which policy 1 uses instead of the packet's own.
ADDRESSES = (0, 0x07)
ADDRESSES_AND_PORTS = (3, 0x37)


@dataclass(frozen=True)
class Conversation:
    """Who speaks to whom: what the hash sees of it, and how much is said."""

    name: str
    protocol: str
    source: str
    source_port: int
    target: str
    target_port: int
    bps: float = 0.0  # of whole frames as a veth counts them; of the payload where the protocol is tcp
    payload: int = 1400


@dataclass
class Links:
    """The links between the namespaces of a run."""

    names: dict[str, str]
    count: int = 2
    bps: int = BPS
    index: dict[str, int] = field(default_factory=dict)

    @property
    def ports(self) -> list[str]:
        return [f"p{number}" for number in range(1, self.count + 1)]

    def up(self) -> None:
        """Make the links, addresses and routes."""
        for name in self.names.values():
            # Nobody says anything by itself: where no conversation is held, every counter stands still.
            sysctl(name, net__ipv6__conf__all__disable_ipv6=1, net__ipv6__conf__default__disable_ipv6=1)
        # One seed of the hash, so that the same conversations collide at every run.
        seed = {"net__ipv4__fib_multipath_hash_seed": 1}
        sysctl(self.names["agg"], net__ipv4__ip_forward=1, net__ipv4__conf__all__ignore_routes_with_linkdown=1, **seed)
        sysctl(self.names["snk"], **seed)
        ip(self.names["agg"], self._pairs())
        ip(self.names["gen"], self._of_senders())
        ip(self.names["mgr"], [f"addr add {ASKER}/30 dev m0", "link set m0 up"])
        ip(self.names["snk"], self._of_receivers())
        ip(self.names["agg"], self._of_the_team())
        for number in range(1, self.count + 1):
            self._shape("agg", f"p{number}")
            self._shape("snk", f"q{number}")
        self.hash_by(ADDRESSES)
        self.index = {link["ifname"]: link["ifindex"] for link in self.as_the_kernel_says()}

    def as_the_kernel_says(self) -> list[dict[str, Any]]:
        """The links of `agg` with the kernel's own counters."""
        told: list[dict[str, Any]] = json.loads(run("ip", "-n", self.names["agg"], "-s", "-j", "link"))
        return told

    def hash_by(self, policy: tuple[int, int]) -> None:
        """Change what the hash is made of; the next frame follows it."""
        number, fields = policy
        for role in ("agg", "snk"):
            told = {"net__ipv4__fib_multipath_hash_fields": fields, "net__ipv4__fib_multipath_hash_policy": number}
            sysctl(self.names[role], **told)

    def chosen(self, conversations: Sequence[Conversation]) -> list[str]:
        """The member that the kernel's hash chooses for each conversation."""
        asked = [
            f"route get {said.target} from {said.source} iif down0 ipproto {said.protocol}"
            f" sport {said.source_port} dport {said.target_port}"
            for said in conversations
        ]
        answers = re.findall(r" dev (p\d+)", ip(self.names["agg"], asked))
        if len(answers) != len(asked):
            raise LabTrouble(f"{len(asked)} conversations asked of the hash, {len(answers)} answered")
        return answers

    def pull(self, port: str) -> None:
        """Take the far end down: the member loses its carrier."""
        ip(self.names["snk"], [f"link set q{port[1:]} down"])

    def plug(self, port: str) -> None:
        """Bring the far end back; what was known of neighbours went with the carrier."""
        number = int(port[1:])
        ip(self.names["snk"], [f"link set q{number} up", _neighbour("q", number, "p")])
        ip(self.names["agg"], [_neighbour("p", number, "q")])

    def _pairs(self) -> list[str]:
        names, numbers = self.names, range(1, self.count + 1)
        far = f"netns {names['snk']}"
        return [
            f"link add down0 address {mac('down')} type veth peer name up0 address {mac('up')} netns {names['gen']}",
            f"link add mgmt0 address {mac('g')} type veth peer name m0 address {mac('m')} netns {names['mgr']}",
            *(
                f"link add p{n} address {mac('p', n)} type veth peer name q{n} address {mac('q', n)} {far}"
                for n in numbers
            ),
            # The row of the team itself among the interfaces. It carries nothing: the route stands in for it.
            f"link add {TEAM} address {mac('t')} type bridge",
            "addr add 198.18.0.1/24 dev down0",
            f"addr add {AGENT}/30 dev mgmt0",
            *(f"link set {name} up" for name in ("down0", "mgmt0", TEAM, *self.ports)),
        ]

    def _of_senders(self) -> list[str]:
        return [
            "addr add 198.18.0.2/24 dev up0",
            # One packet is one frame: else segmentation offload hides TCP frames from the counters.
            "link set up0 gso_max_segs 1 up",
            f"route add local {SENDERS}.0/24 dev lo",
            "route add default via 198.18.0.1",
            f"neigh replace 198.18.0.1 lladdr {mac('down')} nud permanent dev up0",
        ]

    def _of_receivers(self) -> list[str]:
        numbers = range(1, self.count + 1)
        hops = " ".join(f"nexthop via {_address(n, 1)} dev q{n}" for n in numbers)
        return [
            f"route add local {RECEIVERS}.0/24 dev lo",
            *(f"link set q{n} gso_max_segs 1 up" for n in numbers),
            *(f"addr add {_address(n, 2)}/30 dev q{n}" for n in numbers),
            *(_neighbour("q", n, "p") for n in numbers),
            f"route add {SENDERS}.0/24 {hops}",
        ]

    def _of_the_team(self) -> list[str]:
        numbers = range(1, self.count + 1)
        hops = " ".join(f"nexthop via {_address(n, 2)} dev p{n}" for n in numbers)
        return [
            f"neigh replace 198.18.0.2 lladdr {mac('up')} nud permanent dev down0",
            f"route add {SENDERS}.0/24 via 198.18.0.2",
            *(f"link set {name} gso_max_segs 1" for name in ("down0", *self.ports)),
            *(f"addr add {_address(n, 1)}/30 dev p{n}" for n in numbers),
            *(_neighbour("p", n, "q") for n in numbers),
            f"route add {RECEIVERS}.0/24 {hops}",
        ]

    def _shape(self, role: str, device: str) -> None:
        octets_per_s = self.bps / 8
        execute(
            *(self.names[role], "tc", "qdisc", "replace", "dev", device, "root"),
            *("stab", "overhead", WIRE_OCTETS, "linklayer", "ethernet"),
            *("tbf", "rate", f"{self.bps}bit", "burst", max(4 * LARGEST_FRAME, int(octets_per_s * BURST_S))),
            *("limit", int(octets_per_s * QUEUE_S)),
        )


def mac(kind: str, number: int = 1) -> str:
    """A hardware address of our own: locally administered (IEEE 802), by what the interface is."""
    return f"02:1a:b0:00:{'pqugmtd'.index(kind[0]):02x}:{number:02x}"


def _address(number: int, end: int) -> str:
    return f"198.18.{10 + number}.{end}"


def _neighbour(here: str, number: int, there: str) -> str:
    end = 1 if there == "p" else 2
    return f"neigh replace {_address(number, end)} lladdr {mac(there, number)} nud permanent dev {here}{number}"
