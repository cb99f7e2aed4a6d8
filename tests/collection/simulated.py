"""Devices in simulated time, and a stand-in for the poller that asks them: nothing waits, and nothing is sent."""

from __future__ import annotations

from dataclasses import dataclass, field

from examples import EPOCH_MS

from service.snmp.agents import FINE, SILENT, Agent, Outcome, Request, Watch
from service.terms import Reply

IF, IFX = "1.3.6.1.2.1.2.2.1", "1.3.6.1.2.1.31.1.1.1"  # RFC 2863
LAG = "1.2.840.10006.300.43.1.2.1.1"  # dot3adAggPortTable of IEEE8023-LAG-MIB
UPTIME, TABLES_CHANGED = "1.3.6.1.2.1.1.3.0", "1.3.6.1.2.1.31.1.5.0"  # RFC 3418, RFC 2863
GIGABIT_OCTETS_S = 125_000_000
AGGREGATOR_INDEX = 1001
MAC = bytes.fromhex("02005e100000")


@dataclass
class Device:
    """A device with one team: by name of its members their index; counters grow with time."""

    members: dict[str, int] = field(default_factory=lambda: {"m1": 1, "m2": 2})
    team: str = "front"
    up_since_ms: int = EPOCH_MS - 3_600_000
    octets_s: dict[str, int] = field(default_factory=dict)
    tables_changed: int = 100
    latency_ms: int = 4
    is_silent: bool = False
    most_oids: int = 1000
    has_aggregator: bool = True
    speed_mbps: int = 1000
    down: set[str] = field(default_factory=set)  # members without a carrier
    waiting: set[str] = field(default_factory=set)  # members that the far end does not take in
    walks_fail: bool = False
    is_narrow: bool = False  # has octet and packet counters of 32 bits only
    asked: list = field(default_factory=list)

    def reads(self, at_ms):
        """Every value that it has at an instant."""
        up_ms = at_ms - self.up_since_ms
        values = {UPTIME: up_ms // 10 % 2**32, TABLES_CHANGED: self.tables_changed}
        for number, (name, index) in enumerate(self.members.items()):
            octets = self.octets_s.get(name, (number + 1) * 1_000_000) * up_ms // 1000
            values |= _port(name, index, octets, number + 1, self.speed_mbps, 6)
            values |= {f"{LAG}.{column}.{index}": AGGREGATOR_INDEX for column in (12, 13)}
            values[f"{IF}.8.{index}"] = 2 if name in self.down else 1
            # Activity, aggregation, synchronisation, collecting, distributing: 0xBC as SNMP BITS; the first two: 0xA0.
            state = b"\xa0" if name in self.waiting else b"\xbc"
            values |= {f"{LAG}.{column}.{index}": state for column in (21, 23)}
        if self.has_aggregator:
            values |= _port(self.team, AGGREGATOR_INDEX, 0, 99, self.speed_mbps * len(self.members), 161)
        return _narrowed(values) if self.is_narrow else values


# Column of ifXTable -> the 32-bit column that counts the same (RFC 2863).
NARROW = {6: f"{IF}.10", 7: f"{IF}.11", 10: f"{IF}.16", 11: f"{IF}.17"}
NARROW |= {8: f"{IFX}.2", 9: f"{IFX}.3", 12: f"{IFX}.4", 13: f"{IFX}.5"}


def _narrowed(values):
    columns = {f"{IFX}.{wide}": narrow for wide, narrow in NARROW.items()}
    narrowed = {}
    for oid, value in values.items():
        column, _, index = oid.rpartition(".")
        counted = column in columns
        narrowed[f"{columns[column]}.{index}" if counted else oid] = value % 2**32 if counted else value
    return narrowed


def _port(name, index, octets, mac, speed_mbps, kind):  # noqa: PLR0917  # one row of a table
    told = {
        f"{IF}.1": index,
        f"{IF}.2": name.encode(),
        f"{IF}.3": kind,
        f"{IF}.4": 1500,
        f"{IF}.5": speed_mbps * 1_000_000,
        f"{IF}.6": MAC[:5] + bytes([mac]),
        f"{IF}.7": 1,
        f"{IF}.8": 1,
        f"{IF}.9": 0,
        f"{IFX}.1": name.encode(),
        f"{IFX}.15": speed_mbps,
        f"{IFX}.18": b"",
        f"{IFX}.19": 0,
    }
    told |= {f"{IF}.{column}": 0 for column in (13, 14, 19, 20)}
    told |= {f"{IFX}.{column}": octets for column in (6, 10)}
    told |= {f"{IFX}.{column}": octets // 1000 for column in (7, 11)}
    told |= {f"{IFX}.{column}": 0 for column in (8, 9, 12, 13)}
    return {f"{column}.{index}": value for column, value in told.items()}


class Poller:
    """Answers for simulated devices at the instant that `now_ms` is set to, as far as they had the time."""

    def __init__(self, devices, now_ms=EPOCH_MS):
        self.devices, self.now_ms = devices, now_ms
        self._ended = []

    def submit(self, requests):
        self._ended += [self._outcome(request) for request in requests]

    def finished(self):
        ended = [outcome for done_ms, outcome in self._ended if done_ms <= self.now_ms]
        self._ended = [(done_ms, outcome) for done_ms, outcome in self._ended if done_ms > self.now_ms]
        return ended

    def round(self, requests):
        return [self._outcome(request)[1] for request in requests]

    def _outcome(self, request):
        device, at_ms = self.devices[request.agent.device], self.now_ms + request.after_ms
        tries = request.tries or request.agent.tries
        what = "walk" if request.columns else "poll" if len(request.pdus[0]) > 1 else "probe"
        device.asked.append((at_ms, what, tries))
        if device.is_silent or (device.walks_fail and what == "walk"):
            took_ms = round(1000 * request.agent.timeout_s)
            return at_ms + took_ms, Outcome(request, (), "does not answer", SILENT, tries, took_ms)
        replies = tuple(_replies(device, request, at_ms))
        took_ms = replies[-1].received_ms - at_ms
        return at_ms + took_ms, Outcome(request, replies, "", FINE, 1, took_ms)


def answers(device, at_ms, *, pdus=(), columns=()):
    """What a device replies to requests at an instant."""
    return tuple(_replies(device, Request(Agent("sm-07", "127.0.0.1"), pdus, columns), at_ms))


def _replies(device, request, at_ms):
    if request.columns:
        everything = device.reads(at_ms)
        rows = {o: v for o, v in everything.items() if any(o == c or o.startswith(c + ".") for c in request.columns)}
        yield Reply(at_ms, at_ms + device.latency_ms, rows)
    for pdu in request.pdus:
        # An agent that takes fewer values a request is asked in parts, each with the first identifier once more.
        for first in range(1, max(2, len(pdu)), device.most_oids):
            part = (pdu[0], *pdu[first : first + device.most_oids])
            everything = device.reads(at_ms + device.latency_ms // 2)
            yield Reply(at_ms, at_ms + device.latency_ms, {oid: everything[oid] for oid in part if oid in everything})
            at_ms += device.latency_ms


def watch(device="sm-07", interval_ms=10_000, **agent):
    """A device that is to be polled."""
    return Watch(Agent(device, "127.0.0.1", **agent), interval_ms)
