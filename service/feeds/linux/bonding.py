"""What the kernel's bonding driver says of a bond, in the words of the service.

Source: Documentation/networking/bonding.rst of the kernel, options `mode` and `xmit_hash_policy`, and chapter
"Switch Configuration" for what must stand at the far end; the state octets are those of the LACPDU (IEEE 802.1AX,
Actor_State). sysfs is read first: /proc/net/bonding tells states and partner only to those who administer the host.
"""

from __future__ import annotations

import re

from service.feeds.linux.tree import HostTree, Interface, whole

COLLECTING_AND_DISTRIBUTING = 16 | 32
UNKNOWN = "unknown"
HASHED = ("balance-xor", "802.3ad")

# layer2 mixes source and destination hardware address and the type of the packet: none of the service's methods.
# vlan+srcmac takes the source's address and the VLAN; encap follows the same addresses and ports into tunnels.
METHOD_OF_HASH = {
    "layer2+3": "ip-pair",
    "layer3+4": "layer4-tuple",
    "encap2+3": "ip-pair",
    "encap3+4": "layer4-tuple",
    "vlan+srcmac": "source-mac",
}
METHOD_OF_MODE = {"active-backup": "active-standby", "balance-tlb": "load-aware", "balance-alb": "load-aware"}
BUNDLE_OF_MODE = {
    "balance-rr": "static",
    "active-backup": "none",
    "balance-xor": "static",
    "broadcast": "static",
    "802.3ad": "lacp",
    "balance-tlb": "none",
    "balance-alb": "none",
}
# /proc/net/bonding writes modes in its own words.
_MODE_OF_TEXT = (
    ("load balancing (round-robin)", "balance-rr"),
    ("fault-tolerance (active-backup)", "active-backup"),
    ("load balancing (xor)", "balance-xor"),
    ("fault-tolerance (broadcast)", "broadcast"),
    ("IEEE 802.3ad", "802.3ad"),
    ("transmit load balancing", "balance-tlb"),
    ("adaptive load balancing", "balance-alb"),
)


def mode(bond: Interface, tree: HostTree) -> str:
    """The bond's mode by its name; empty where neither sysfs nor /proc tells."""
    word = _first_word(bond.text("bonding/mode"))
    told = _line(tree.bonding.get(bond.name, ""), "Bonding Mode")
    return word or next((name for text, name in _MODE_OF_TEXT if told.startswith(text)), "")


def hash_policy(bond: Interface, tree: HostTree) -> str:
    """The bond's transmit hash policy by its name; empty where it is not told."""
    word = _first_word(bond.text("bonding/xmit_hash_policy"))
    return word or _first_word(_line(tree.bonding.get(bond.name, ""), "Transmit Hash Policy"))


def method(mode: str, policy: str) -> str:
    """How a bond picks a member: packets dealt in turn (balance-rr) or to all (broadcast) fit none of the words."""
    return METHOD_OF_HASH.get(policy, UNKNOWN) if mode in HASHED else METHOD_OF_MODE.get(mode, UNKNOWN)


def bundle(mode: str) -> str:
    """What must stand at the far end of a bond; empty where the mode is not known."""
    return BUNDLE_OF_MODE.get(mode, "")


def slaves(bond: Interface, tree: HostTree) -> tuple[str, ...]:
    """The ports of a bond."""
    listed = bond.text("bonding/slaves").split() or [name for name, _ in _parts(tree.bonding.get(bond.name, ""))]
    linked = [one.name for one in tree.interfaces.values() if one.master == bond.name]
    return tuple(dict.fromkeys([*listed, *linked]))


def role(bond: Interface, port: Interface, tree: HostTree) -> str:
    """Whether a port carries: active, standby or out; empty where the driver does not say."""
    told = mode(bond, tree)
    if told == "active-backup":
        active = _active_slave(bond, tree)
        return "" if not active else "active" if active == port.name else "standby"
    return _lacp_role(bond, port, tree) if told == "802.3ad" else ""


def _active_slave(bond: Interface, tree: HostTree) -> str:
    told = bond.text("bonding/active_slave") or _line(tree.bonding.get(bond.name, ""), "Currently Active Slave")
    return "" if told == "None" else told


def _lacp_role(bond: Interface, port: Interface, tree: HostTree) -> str:
    """A port carries when both ends collect and distribute, in the aggregator that the bond uses."""
    own, used = _aggregator(port, bond, tree), _active_aggregator(bond, tree)
    if own is not None and used is not None and own != used:
        return "out"
    states = actor_state(port, bond, tree), partner_state(port, bond, tree)
    if any(state is None for state in states):
        return ""
    carries = all(_carries(state) for state in states)
    return "active" if carries else "out"


def _carries(state: int | None) -> bool:
    return ((state or 0) & COLLECTING_AND_DISTRIBUTING) == COLLECTING_AND_DISTRIBUTING


def actor_state(port: Interface, bond: Interface, tree: HostTree) -> int | None:
    """The port's own LACP state in the order of the LACPDU; None where it is not told."""
    return _told(port, "ad_actor_oper_port_state", _state_in(_part(bond, port, tree), "actor"))


def partner_state(port: Interface, bond: Interface, tree: HostTree) -> int | None:
    """The LACP state that the other end told last; None where it is not told."""
    return _told(port, "ad_partner_oper_port_state", _state_in(_part(bond, port, tree), "partner"))


def _aggregator(port: Interface, bond: Interface, tree: HostTree) -> int | None:
    return _told(port, "ad_aggregator_id", whole(_line(_part(bond, port, tree), "Aggregator ID")))


def _active_aggregator(bond: Interface, tree: HostTree) -> int | None:
    told = bond.number("bonding/ad_aggregator")
    return told if told is not None else whole(_line(tree.bonding.get(bond.name, ""), "\tAggregator ID"))


def _told(port: Interface, name: str, otherwise: int | None) -> int | None:
    told = port.number(f"bonding_slave/{name}")
    return otherwise if told is None else told


def _state_in(part: str, end: str) -> int | None:
    """The state of one end in a port's part of /proc/net/bonding."""
    found = re.search(rf"^details {end} lacp pdu:\n(?:    .*\n)*?    port state: (\d+)$", part, re.MULTILINE)
    return int(found[1]) if found else None


def _part(bond: Interface, port: Interface, tree: HostTree) -> str:
    return dict(_parts(tree.bonding.get(bond.name, ""))).get(port.name, "")


def _parts(text: str) -> list[tuple[str, str]]:
    """What /proc/net/bonding says of each port."""
    cut = re.split(r"^Slave Interface: (\S+)$", text, flags=re.MULTILINE)
    return list(zip(cut[1::2], cut[2::2], strict=True))


def _line(text: str, name: str) -> str:
    found = re.search(rf"^{re.escape(name)}: *(.*)$", text, re.MULTILINE)
    return found[1].strip() if found else ""


def _first_word(text: str) -> str:
    return (text.split() or [""])[0]
