"""What was found in the kernel's files, as text: the values that everything else here is read from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

NOTHING: Mapping[str, str] = {}


@dataclass(frozen=True)
class Interface:
    """The files of one interface.

    `values` holds texts by path within its folder, as `statistics/rx_bytes`; what the kernel does not tell is absent.
    `master` is the interface that it is enslaved to, `lowers` those that it stands on, `has_device` whether hardware
    is behind it. `kind` is the driver's own word for a made-up interface where netlink told it.
    """

    name: str
    values: Mapping[str, str] = field(default_factory=dict)
    master: str = ""
    lowers: tuple[str, ...] = ()
    has_device: bool = False
    kind: str = ""

    def text(self, name: str) -> str:
        """What a file says, without the line's end; empty where it is not there."""
        return self.values.get(name, "").strip()

    def number(self, name: str) -> int | None:
        """The whole number, 0 or more, that a file says; None where it says none."""
        return whole(self.text(name))

    def has_folder(self, name: str) -> bool:
        """Whether anything was found in a folder of the interface."""
        return any(path.startswith(f"{name}/") for path in self.values)


@dataclass(frozen=True)
class HostTree:
    """All that was read of a host at one time; `bonding` are the texts of /proc/net/bonding by bond.

    `sysctl` holds the settings of multipath hashing by name, as `ipv4/fib_multipath_hash_policy`. `unnamed` are
    interfaces whose name is no UTF-8, which no reading can carry; they are not among the others.
    """

    interfaces: Mapping[str, Interface]
    uptime: str = ""
    bonding: Mapping[str, str] = field(default_factory=dict)
    sysctl: Mapping[str, str] = field(default_factory=dict)
    unnamed: tuple[str, ...] = ()

    def uptime_ticks(self) -> int | None:
        """Hundredths of a second since the kernel started, as SNMP counts them: modulo 2^32."""
        seconds = (self.uptime.split() or [""])[0]
        whole_part, _, rest = seconds.partition(".")
        ticks = whole(whole_part + rest.ljust(2, "0")[:2]) if whole_part else None
        return None if ticks is None else ticks % 2**32


def whole(text: str) -> int | None:
    """The whole number in a text, 0 or more; None where there is none."""
    return int(text) if text.isascii() and text.isdigit() else None
