"""What is made of datagrams: read, placed on members, held by half minute, and kept with what was the matter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from sqlalchemy import Connection, Engine

from service.errors import BrokenDatagram
from service.feeds.ipfix import message
from service.feeds.items_flows import EGRESS_SIDE, Flow
from service.feeds.sflow import datagram
from service.records.placing import Members, placed
from service.records.slots import Slots
from service.storage import database, exporters, items
from service.storage.exporters import Heard
from service.terms import ItemReading

IPFIX, SFLOW = "ipfix", "sflow"
MOST_STRANGERS = 100
# A clock that is further off than this is set right by when the message came.
CLOCK_OFF_MS = 1500
NO_MEMBER = "records name no interface of a known member: let the exporter tell physical interfaces by ifIndex"
NO_TRUE_TIME = "records last longer than an hour or end at another time than now: set its active time-out to 60 s"
NO_OCTETS = "records count no octets (octetDeltaCount or layer2OctetDeltaCount)"
STRANGER = "no [[exporters]] entry names this address: what it sends is not read"


class Told(NamedTuple):
    """What one datagram told: its flows with the clock set right, how many records, how many were lost before it."""

    flows: tuple[Flow, ...]
    records: int
    lost: int
    trouble: str = ""


@dataclass
class _Ear:
    """What is remembered of one exporter."""

    device: str
    ipfix: message.Exporter = field(default_factory=message.Exporter)
    sflow: datagram.Agent = field(default_factory=datagram.Agent)
    meters_both: bool = False


class Hearing:
    """All exporters, and what they told since it was last kept; `devices` are by the address that they send from."""

    def __init__(self, devices: Mapping[str, str]) -> None:
        self._ears = {address: _Ear(device) for address, device in devices.items()}
        self._slots = Slots()
        self._members: Members = {}
        self._news: dict[tuple[str, str], Heard] = {}

    def learn(self, engine: Engine) -> None:
        """Learn anew which interface of which device is a member of a team."""
        with database.reading(engine) as connection:
            self._members = exporters.members(connection, {ear.device for ear in self._ears.values()})

    def take(self, protocol: str, address: str, octets: bytes, now_ms: int) -> None:
        """Take in one datagram; whatever is the matter with it is noted with its exporter."""
        ear = self._ears.get(address)
        if ear is None:
            self._refuse_stranger(protocol, address, now_ms)
            return
        try:
            told = _read(ear, protocol, octets, now_ms)
        except BrokenDatagram as broken:
            self._note(protocol, address, now_ms, refused=1, trouble=str(broken))
            return
        unplaced, trouble = self._place(ear, told, protocol, now_ms)
        counts = {"records": told.records, "lost": told.lost, "unplaced": unplaced}
        self._note(protocol, address, now_ms, trouble=trouble or told.trouble, **counts)

    def keep(self, engine: Engine, now_ms: int, *, everything: bool = False) -> int:
        """Keep what is due, or all, and what was counted, in one transaction; how many readings that were."""
        due, news = self._slots.due(now_ms, everything=everything), list(self._news.values())
        if due or news:
            database.retried(engine, lambda connection: _kept(connection, due, news))
        self._slots.drop(now_ms, everything=everything)
        self._news.clear()
        return len(due)

    def _place(self, ear: _Ear, told: Told, protocol: str, now_ms: int) -> tuple[int, str]:
        """Hold the flows by member; how many could not be placed, and why."""
        unplaced, trouble = 0, ""
        for flow in told.flows:
            ear.meters_both = ear.meters_both or flow.side == EGRESS_SIDE
            places = placed(flow, ear.device, self._members, meters_both=ear.meters_both)
            if not places:
                unplaced, trouble = unplaced + 1, NO_MEMBER
            elif not all(self._slots.add(where, flow, protocol, now_ms) for where in places):
                unplaced, trouble = unplaced + 1, NO_TRUE_TIME
        return unplaced, trouble

    def _refuse_stranger(self, protocol: str, address: str, now_ms: int) -> None:
        known = (address, protocol) in self._news
        if known or len(self._news) < len(self._ears) * 2 + MOST_STRANGERS:
            self._note(protocol, address, now_ms, refused=1, trouble=STRANGER)

    def _note(self, protocol: str, address: str, now_ms: int, *, trouble: str = "", **counts: int) -> None:
        ear = self._ears.get(address)
        before = self._news.get((address, protocol)) or Heard(address, protocol, ear.device if ear else "", now_ms)
        more = {name: getattr(before, name) + count for name, count in counts.items()}
        self._news[address, protocol] = before._replace(
            heard_ms=now_ms, datagrams=before.datagrams + 1, trouble=trouble or before.trouble, **more
        )


def _kept(connection: Connection, due: Sequence[tuple[int, ItemReading]], news: Sequence[Heard]) -> None:
    items.add(connection, due)
    exporters.note(connection, news)


def _read(ear: _Ear, protocol: str, octets: bytes, now_ms: int) -> Told:
    if protocol == SFLOW:
        return Told(*datagram.read(octets, ear.sflow, now_ms))
    found = message.read(octets, ear.ipfix)
    off_ms = now_ms - found.export_ms  # an export time is of whole seconds
    moved_ms = off_ms if abs(off_ms) > CLOCK_OFF_MS else 0
    flows = tuple(_moved(flow, moved_ms) for flow in found.flows)
    return Told(flows, found.records, found.lost, NO_OCTETS if found.without_octets else "")


def _moved(flow: Flow, by_ms: int) -> Flow:
    return flow._replace(start_ms=flow.start_ms + by_ms, end_ms=flow.end_ms + by_ms) if by_ms else flow
