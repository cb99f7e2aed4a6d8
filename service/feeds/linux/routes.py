"""Routes with several next hops, from netlink's messages, and how the kernel deals conversations out to them.

Source: include/uapi/linux/rtnetlink.h (RTA_MULTIPATH) and Documentation/networking/ip-sysctl.rst of the kernel,
`fib_multipath_hash_policy` and `fib_multipath_hash_fields`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

FAMILIES = {2: "ipv4", 10: "ipv6"}  # AF_INET and AF_INET6 of Linux
BOTH_PORTS = 0x0010 | 0x0020  # source port, destination port


class MultipathRoute(NamedTuple):
    """The interfaces over which one route goes, each once, in order, and whether all have the same weight."""

    family: str
    devices: tuple[str, ...]
    is_equal: bool = True


def groups(messages: Iterable[Any], names: Mapping[int, Any]) -> tuple[MultipathRoute, ...]:
    """The distinct routes over two or more interfaces, of netlink's messages; `names` are those by index.

    A name that is not UTF-8 comes as octets, and its routes are left out.
    """
    found = (_route(message, names) for message in messages)
    return tuple(dict.fromkeys(route for route in found if route is not None and len(route.devices) > 1))


def _route(message: Any, names: Mapping[int, Any]) -> MultipathRoute | None:
    hops = _attribute(message, "RTA_MULTIPATH") or ()
    family = FAMILIES.get(message.get("family"), "")
    if len(hops) < 2 or not family:
        return None
    weights: dict[str, int] = {}
    for hop in hops:
        name = names.get(hop.get("oif"), "")
        if not name or not isinstance(name, str):
            return None
        weights[name] = weights.get(name, 0) + hop.get("hops", 0) + 1  # netlink tells the weight less one
    return MultipathRoute(family, tuple(sorted(weights, key=natural)), len(set(weights.values())) == 1)


def kinds(messages: Iterable[Any]) -> dict[str, str]:
    """What the kernel calls each made-up interface, as `veth` or `vlan`; empty for hardware."""
    return {
        str(_attribute(message, "IFLA_IFNAME")): str(
            _attribute(_attribute(message, "IFLA_LINKINFO"), "IFLA_INFO_KIND") or ""
        )
        for message in messages
    }


def _attribute(message: Any, name: str) -> Any:
    attributes = message.get("attrs", ()) if message else ()
    return next((one[1] for one in attributes if one[0] == name), None)


def natural(name: str) -> tuple[tuple[int, str], ...]:
    """An order in which p2 comes before p10."""
    parts: list[str] = []
    for letter in name:
        if parts and parts[-1].isdigit() == letter.isdigit():
            parts[-1] += letter
        else:
            parts.append(letter)
    return tuple((int(part), "") if part.isdecimal() and part.isascii() else (-1, part) for part in parts)


def method(sysctl: Mapping[str, str], family: str) -> str:
    """How the kernel picks a next hop; `unknown` where it looks into tunnels or at fields of the keeper's own."""
    policy = sysctl.get(f"{family}/fib_multipath_hash_policy", "").strip()
    if policy == "3":
        fields = _number(sysctl.get(f"{family}/fib_multipath_hash_fields", ""))
        return "layer4-tuple" if fields & BOTH_PORTS == BOTH_PORTS else "unknown"
    return {"0": "ip-pair", "1": "layer4-tuple"}.get(policy, "unknown")


def _number(text: str) -> int:
    try:
        return int(text.strip(), 0)
    except ValueError:
        return 0
