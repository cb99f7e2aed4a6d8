"""What sort of interface one is, and what its files say of it.

Sources: the kernel's Documentation/ABI/testing/sysfs-class-net (speed, duplex, operstate, carrier_changes) and
include/uapi/linux/if.h for the words of operstate, which are those of RFC 2863.
"""

from __future__ import annotations

from enum import Enum

from service.feeds.linux.tree import HostTree, Interface

MEGABIT = 1_000_000
OF_WIRES = ("", "wlan", "dsa", "team")  # DEVTYPE of hardware, and of the team driver
NO_SPEED = 2**32 - 1  # -1 as older kernels wrote it
ETHERNET = "1"  # ARPHRD_ETHER of include/uapi/linux/if_arp.h
OPER = {
    "up": "up",
    "down": "down",
    "testing": "testing",
    "unknown": "unknown",
    "dormant": "dormant",
    "notpresent": "notPresent",
    "lowerlayerdown": "lowerLayerDown",
}


class Sort(Enum):
    """What an interface can be in a team."""

    PORT = "port"
    BOND = "bond"
    TEAM = "team"  # of the kernel's driver of that name
    OTHER = "other"


def sort_of(interface: Interface, tree: HostTree) -> Sort:
    """Port, aggregate, or neither: a VLAN, bridge, tunnel or dummy is never a member.

    A port is what has hardware behind it, or one end of a veth pair, which stands for a cable
    between network namespaces.
    """
    if interface.has_folder("bonding") or interface.name in tree.bonding or interface.kind == "bond":
        return Sort.BOND
    if _made_of(interface):
        return Sort.OTHER
    if interface.kind == "team" or (not interface.kind and _leads_others(interface, tree)):
        return Sort.TEAM
    return Sort.PORT if interface.has_device or _is_pair(interface) else Sort.OTHER


def _made_of(interface: Interface) -> bool:
    """Whether its files say that it is made of something else than a wire: bridge, VLAN, tunnel, loopback."""
    if interface.text("type") not in ("", ETHERNET) or interface.has_folder("bridge"):
        return True
    return interface.text("tun_flags") != "" or _device_type(interface) not in OF_WIRES


def _device_type(interface: Interface) -> str:
    for line in interface.text("uevent").splitlines():
        name, _, value = line.partition("=")
        if name == "DEVTYPE":
            return value
    return ""


def _leads_others(interface: Interface, tree: HostTree) -> bool:
    if interface.has_device:
        return False
    lowers = [tree.interfaces[name] for name in interface.lowers if name in tree.interfaces]
    return bool(lowers) and all(lower.master == interface.name for lower in lowers)


def _is_pair(interface: Interface) -> bool:
    """A veth knows its other end; without netlink that is seen by a link to another index than its own."""
    if interface.kind:
        return interface.kind == "veth"
    return interface.text("iflink") not in ("", interface.text("ifindex"))


def speed_bps(interface: Interface) -> int | None:
    """The speed in bit/s; None where the driver does not know it, which it writes as -1."""
    speed = interface.number("speed")
    return None if speed in (None, 0, NO_SPEED) else int(speed or 0) * MEGABIT


def duplex(interface: Interface) -> str | None:
    """Full or half, as the driver says."""
    word = interface.text("duplex")
    return word if word in ("full", "half") else None


def oper_status(interface: Interface) -> str | None:
    """The operational state in the words of RFC 2863."""
    return OPER.get(interface.text("operstate"))


def mac(interface: Interface) -> str | None:
    """The hardware address that the port came with: a bond gives all its ports the same one."""
    told = interface.text("bonding_slave/perm_hwaddr") or interface.text("address")
    return told if len(told) == 17 and told != "00:00:00:00:00:00" else None
