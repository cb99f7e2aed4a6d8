"""Reading the kernel's files: what `feeds.linux` makes sense of. Nothing is ever written there."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from service.feeds.linux.host import COUNTERS
from service.feeds.linux.tree import HostTree, Interface

NET = Path("sys", "class", "net")
BONDING = Path("proc", "net", "bonding")
SYSCTL = Path("proc", "sys", "net")
UPTIME = Path("proc", "uptime")
MOST_OCTETS = 65_536  # of one file; /proc/net/bonding takes some 1,500 octets a port
FACTS = (
    *("address", "carrier_changes", "duplex", "ifindex", "iflink", "mtu"),
    *("operstate", "speed", "tun_flags", "type", "uevent"),
)
STATISTICS = tuple(f"statistics/{name}" for name in COUNTERS.values())
FOLDERS = {
    "bonding": ("mode", "xmit_hash_policy", "active_slave", "slaves", "ad_aggregator"),
    "bonding_slave": ("perm_hwaddr", "ad_aggregator_id", "ad_actor_oper_port_state", "ad_partner_oper_port_state"),
    "bridge": ("bridge_id",),
}
HASHING = tuple(f"{family}/fib_multipath_hash_{what}" for family in ("ipv4", "ipv6") for what in ("policy", "fields"))


def tree_of(root: Path, kinds: Mapping[str, str] | None = None) -> HostTree:
    """All that the files below a root say; `kinds` are the words of netlink for made-up interfaces, by name.

    An interface that goes while it is read is left out of what it no longer tells.
    """
    told = kinds or {}
    folders = [path for path in _listed(root / NET) if path.is_dir()]  # a module of bonding has a plain file here
    found = {path.name: replace(_interface(path), kind=told.get(path.name, "")) for path in folders if _is_text(path)}
    return HostTree(
        interfaces=found,
        uptime=_text(root / UPTIME),
        bonding={path.name: _text(path) for path in _listed(root / BONDING)},
        sysctl={name: _text(root / SYSCTL / name) for name in HASHING},
        unnamed=tuple(_shown(path) for path in folders if not _is_text(path)),
    )


def _is_text(path: Path) -> bool:
    """Whether a name is UTF-8; the kernel takes any octets but a slash, a colon and spaces."""
    return not any("\ud800" <= letter <= "\udfff" for letter in path.name)


def _shown(path: Path) -> str:
    return os.fsencode(path.name).decode("utf-8", "backslashreplace")


def _interface(path: Path) -> Interface:
    names = (*STATISTICS, *FACTS, *(f"{folder}/{name}" for folder in FOLDERS for name in _within(path, folder)))
    texts = {name: _text(path / name) for name in names}
    lowers = [link.name.removeprefix("lower_") for link in _listed(path) if link.name.startswith("lower_")]
    return Interface(
        name=path.name,
        values={name: text for name, text in texts.items() if text},
        master=_linked(path / "master"),
        lowers=tuple(lowers),
        has_device=(path / "device").exists(),
    )


def _within(path: Path, folder: str) -> tuple[str, ...]:
    return FOLDERS[folder] if (path / folder).is_dir() else ()


def _listed(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _linked(path: Path) -> str:
    try:
        return path.readlink().name
    except OSError:
        return ""


def _text(path: Path) -> str:
    """What a file says; empty where the driver does not tell it, or where it is gone."""
    try:
        with path.open("rb") as stream:
            return stream.read(MOST_OCTETS).decode("utf-8", "replace")
    except OSError:
        return ""
