"""The rows of a simulated device: interfaces whose counters grow at known rates, and teams of them.

Object identifiers: RFC 3418 (system), RFC 2863 (ifTable, ifXTable, ifStackTable) and the
IEEE8023-LAG-MIB of IEEE 802.1AX.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import ber

Value = bytes | Callable[[float], bytes]  # encoded, or encoded after so many seconds

ETHERNET, AGGREGATE, VLAN = 6, 161, 135  # IANAifType: ethernetCsmacd, ieee8023adLag, l2vlan
UPTIME = "1.3.6.1.2.1.1.3.0"
IF, IFX = "1.3.6.1.2.1.2.2.1", "1.3.6.1.2.1.31.1.1.1"
STACK = "1.3.6.1.2.1.31.1.2.1.3"
LAG, LAG_PORT = "1.2.840.10006.300.43.1.1.1.1", "1.2.840.10006.300.43.1.2.1.1"
BOTH_CARRY = (
    b"\xbc"  # BITS: active, long time-out, aggregating, in sync, collecting, distributing (RFC 3417, section 8)
)
PARTNER = bytes.fromhex("020000fe0001")
FRAME = 1000  # octets; so packets are a thousandth of octets


@dataclass
class Interface:
    """One interface; rates are octets a second, `lag` is the ifIndex of its aggregator."""

    index: int
    name: str
    kind: int = ETHERNET
    bps: int = 10_000_000_000
    egress: int = 1_000_000
    ingress: int = 500_000
    lag: int = 0
    oper: int = 1  # up
    state: bytes = BOTH_CARRY
    alias: str = ""

    @property
    def mac(self) -> bytes:
        # Of the name, not of the number: a renumbered interface keeps its address.
        return b"\x02\x00" + sum(map(ord, self.name)).to_bytes(2, "big") + self.name.encode()[-2:].rjust(2, b"\x00")


def exchange_switch(ports: int = 48, members: int = 6) -> list[Interface]:
    """Ethernet ports in teams of so many, the first of each carrying a hundred times as much, and aggregators."""
    found, lags = [], []
    for at in range(ports):
        lag = 1001 + at // members if members else 0
        heavy = 100 if members and at % members == 0 else 1
        found.append(Interface(at + 1, f"dock{at + 1}", egress=heavy * 1_000_000, ingress=heavy * 500_000, lag=lag))
    for index in sorted({port.lag for port in found} - {0}):
        own = [port for port in found if port.lag == index]
        speed, out, into = (sum(getattr(port, of) for port in own) for of in ("bps", "egress", "ingress"))
        lags.append(Interface(index, f"lag{index - 1000}", AGGREGATE, speed, out, into))
    return found + lags


@dataclass
class Table:
    """Rows in the order of their identifiers, ready to be sent."""

    rows: dict[ber.Oid, Value]
    order: list[ber.Oid] = field(init=False)
    names: list[bytes] = field(init=False)
    values: list[Value] = field(init=False)
    at: dict[ber.Oid, int] = field(init=False)

    def __post_init__(self):
        self.order = sorted(self.rows)
        self.names = [ber.identifier(oid) for oid in self.order]
        self.values = [self.rows[oid] for oid in self.order]
        self.at = {oid: at for at, oid in enumerate(self.order)}

    def after(self, oid: ber.Oid) -> int:
        return bisect_right(self.order, oid)

    def row(self, at: int, seconds: float) -> bytes:
        value = self.values[at]
        return self.names[at] + (value if type(value) is bytes else value(seconds))


def table_of(interfaces: Sequence[Interface], name: str = "shed", less: Sequence[str] = ()) -> Table:
    """What an agent tells of its interfaces, without the columns that `less` names."""
    told: dict[str, Value] = {
        "1.3.6.1.2.1.1.1.0": ber.octets("simulated"),
        UPTIME: lambda seconds: ber.number(int(seconds * 100) % 2**32, ber.TICKS),
        "1.3.6.1.2.1.1.5.0": ber.octets(name),
        "1.3.6.1.2.1.31.1.5.0": ber.number(0, ber.TICKS),
        "1.3.6.1.2.1.31.1.6.0": ber.number(0, ber.TICKS),
        "1.2.840.10006.300.43.1.3.0": ber.number(0, ber.TICKS),
    }
    for each in interfaces:
        told |= _interface(each) | _counters(each)
        told |= _aggregator(each) if each.kind == AGGREGATE else _member(each) if each.lag else {}
    skipped = tuple(f"{column}." for column in less)
    return Table({ber.oid(key): value for key, value in told.items() if not key.startswith(skipped)})


def _interface(each: Interface) -> dict[str, Value]:
    at = each.index
    return {
        f"{IF}.1.{at}": ber.number(at),
        f"{IF}.2.{at}": ber.octets(each.name),
        f"{IF}.3.{at}": ber.number(each.kind),
        f"{IF}.4.{at}": ber.number(9000),
        f"{IF}.5.{at}": ber.number(min(each.bps, 2**32 - 1), ber.GAUGE),
        f"{IF}.6.{at}": ber.octets(each.mac),
        f"{IF}.7.{at}": ber.number(1),
        f"{IF}.8.{at}": ber.number(each.oper),
        f"{IF}.9.{at}": ber.number(0, ber.TICKS),
        f"{IFX}.1.{at}": ber.octets(each.name),
        f"{IFX}.15.{at}": ber.number(each.bps // 1_000_000, ber.GAUGE),
        f"{IFX}.18.{at}": ber.octets(each.alias),
        f"{IFX}.19.{at}": ber.number(0, ber.TICKS),
    }


def _counters(each: Interface) -> dict[str, Value]:
    at, told = each.index, {}
    for rate, low, high in ((each.ingress, (10, 11), (6, 7)), (each.egress, (16, 17), (10, 11))):
        for share, short, long in zip((1, FRAME), low, high, strict=True):
            told[f"{IF}.{short}.{at}"] = _growing(rate // share, 32)
            told[f"{IFX}.{long}.{at}"] = _growing(rate // share, 64)
    for column in (13, 14, 19, 20):  # discards and errors, both ways
        told[f"{IF}.{column}.{at}"] = ber.number(0, ber.COUNTER)
    for column in (2, 3, 4, 5):  # multicast and broadcast, both ways
        told[f"{IFX}.{column}.{at}"] = ber.number(0, ber.COUNTER)
    for column in (8, 9, 12, 13):
        told[f"{IFX}.{column}.{at}"] = ber.number(0, ber.COUNTER64)
    return told


def _growing(rate: int, bits: int) -> Value:
    tag, wrap = (ber.COUNTER64 if bits == 64 else ber.COUNTER), 2**bits
    return lambda seconds: ber.number(int(seconds * rate) % wrap, tag)


def _aggregator(each: Interface) -> dict[str, Value]:
    at = each.index
    return {
        f"{LAG}.2.{at}": ber.octets(each.mac),
        f"{LAG}.4.{at}": ber.octets(each.mac),
        f"{LAG}.5.{at}": ber.number(1),
        f"{LAG}.6.{at}": ber.number(at),
        f"{LAG}.7.{at}": ber.number(at),
        f"{LAG}.8.{at}": ber.octets(PARTNER),
        f"{LAG}.10.{at}": ber.number(at),
    }


def _member(each: Interface) -> dict[str, Value]:
    at, active = each.index, ber.number(1)
    return {
        f"{STACK}.{each.lag}.{at}": active,
        f"{LAG_PORT}.5.{at}": ber.number(each.lag),
        f"{LAG_PORT}.9.{at}": ber.octets(PARTNER),
        f"{LAG_PORT}.11.{at}": ber.number(each.lag),
        f"{LAG_PORT}.12.{at}": ber.number(each.lag),
        f"{LAG_PORT}.13.{at}": ber.number(each.lag),
        f"{LAG_PORT}.17.{at}": ber.number(at),
        f"{LAG_PORT}.21.{at}": ber.octets(each.state),
        f"{LAG_PORT}.23.{at}": ber.octets(each.state),
    }
