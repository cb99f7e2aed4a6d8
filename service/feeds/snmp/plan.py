"""What to ask a device for at each poll: its teams' members and aggregator interfaces, siblings in one request."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from service.feeds.snmp import oids
from service.feeds.snmp.counting import APART, RAW, TOGETHER, Offered
from service.feeds.snmp.packing import Requests, size_of
from service.feeds.snmp.tables import Tables
from service.terms import Codes, Counters, Discovered, DiscoveredPort, PortName, Role

UPTIME = f"{oids.SYS_UPTIME}.0"
# When these move, the device's interfaces or teams may have changed (RFC 2863; IEEE8023-LAG-MIB).
MARKS = (f"{oids.IF_TABLE_LAST_CHANGE}.0", f"{oids.IF_STACK_LAST_CHANGE}.0", f"{oids.LAG_TABLES_LAST_CHANGED}.0")
# RFC 2863 section 3.1.6: from 650,000,000 bit/s on, all counters have 64 bits.
NARROW_MOST_BPS = 650_000_000
_HALF = 2
_SPEEDS = (oids.IF_SPEED, oids.IF_HIGH_SPEED)
_MASKS = {False: 0xFFFF_FFFF_FFFF_FFFF, True: 0xFFFF_FFFF}


@dataclass(frozen=True, eq=False)
class Prepared:
    """Where a port's raw readings stand among all values of a poll, one row a port.

    `places` (n_ports, len(RAW)) counts through the values of all requests in order; one past
    the last stands for what was not asked for. `request` (n_ports, 3) names the request that
    brings the octets, and the first and the last one with anything of the port. `masks`
    (n_ports, 2) cut octets and packets to the bits their counters have.
    """

    places: Codes
    request: Codes
    masks: Counters
    role: npt.NDArray[np.uint8]
    counter_bits: npt.NDArray[np.uint8]
    half_duplex: npt.NDArray[np.uint8]
    mac: npt.NDArray[np.int64]
    mtu: npt.NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class PollPlan:
    """The requests of one poll of a device, each with the uptime first, and how to read their replies."""

    device: str
    ports: tuple[PortName, ...]
    roles: tuple[Role, ...]
    pdus: tuple[tuple[str, ...], ...]
    octets: tuple[tuple[str, ...], ...]  # the identifiers of each port's octet counters
    statuses: tuple[str, ...]  # the identifier of each port's operational status
    prepared: Prepared
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Port:
    """A port to be polled: the column of each raw reading, and what has only 32 bits."""

    told: DiscoveredPort
    columns: Mapping[str, str]
    narrow_octets: bool
    narrow_packets: bool
    half_duplex: bool

    def oids(self, offered: Sequence[Offered]) -> list[tuple[str, int]]:
        """What to ask for, with the size of each in a reply."""
        asked = []
        for one in offered:
            if column := self.columns.get(one.name):
                oid = f"{column}.{self.told.if_index}"
                asked.append((oid, size_of(oid, wide=bool(one.narrow) and column == one.column)))
        return asked


def plan_of(
    found: Discovered,
    *,
    seats: Mapping[str, tuple[str, Role]] | None = None,
    extra: Collection[str] = (),
    rows: Mapping[str, Any],
) -> PollPlan:
    """The plan for a device as it was discovered; `rows` are those of the walk and say which columns there are.

    `seats` has the team and role that are believed of ports, by name, where that is not what the
    device says; `extra` names further ports to be polled.
    """
    believed = [_believed(port, seats or {}) for port in found.ports]
    ports = [
        _port(port, rows) for port in believed if port.team or port.aggregate_of or port.port in extra if port.if_index
    ]
    counted = [port for port in ports if "out_octets" in port.columns or "in_octets" in port.columns]
    pdus = _requests(counted, [mark for mark in MARKS if mark in rows])
    return PollPlan(
        device=found.device,
        ports=_names(found, counted),
        roles=tuple(port.told.role for port in counted),
        pdus=pdus,
        octets=tuple(tuple(oid for oid, _ in port.oids(TOGETHER[:2])) for port in counted),
        statuses=tuple(f"{oids.IF_OPER_STATUS}.{port.told.if_index}" for port in counted),
        prepared=_prepared(counted, pdus),
        notes=_notes(ports),
    )


def _believed(port: DiscoveredPort, seats: Mapping[str, tuple[str, Role]]) -> DiscoveredPort:
    if port.port not in seats or port.aggregate_of:
        return port
    team, role = seats[port.port]
    return replace(port, team=team, role=role)


def _port(told: DiscoveredPort, rows: Mapping[str, Any]) -> _Port:
    def has(column: str) -> bool:
        return bool(column) and f"{column}.{told.if_index}" in rows

    narrow_octets = _only_narrow(TOGETHER[:2], has)
    narrow_packets = narrow_octets or _only_narrow((*TOGETHER[2:], *APART[:4]), has)
    narrow = {one.name: narrow_packets for one in (*TOGETHER, *APART)} | dict.fromkeys(RAW[:2], narrow_octets)
    columns = {}
    for one in (*TOGETHER, *APART):
        order = (one.narrow, one.column) if narrow[one.name] else (one.column,)
        if column := next(filter(has, order), ""):
            columns[one.name] = column
    columns.pop(_needless_speed(rows, told.if_index), None)
    duplex = rows.get(f"{oids.DUPLEX}.{told.if_index}")
    return _Port(told, columns, narrow_octets, narrow_packets, duplex == _HALF)


def _needless_speed(rows: Mapping[str, Any], index: int) -> str:
    """Which of the two speeds need not be asked for: the 32-bit gauge beside the other, or a mere copy of it."""
    tables = Tables.of({oid: rows[oid] for column in _SPEEDS if (oid := f"{column}.{index}") in rows})
    if tables.tells_bits_as_megabits(index):
        return "high_speed"
    return "speed" if tables.number(oids.IF_HIGH_SPEED, index) > 0 else ""  # a port that is down may tell 0 for now


def _only_narrow(offered: Sequence[Offered], has: Any) -> bool:
    """Whether one of these has 32 bits only: then all are read so, since a sum has the bits of its narrowest part."""
    return any(has(one.narrow) and not has(one.column) for one in offered)


def _requests(ports: Sequence[_Port], marks: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    requests = Requests(UPTIME)
    teams: dict[str, list[_Port]] = {}
    for port in ports:
        teams.setdefault(port.told.team or f"\0{port.told.port}", []).append(port)  # a port of no team stands alone
    for members in teams.values():
        _put_siblings(requests, members)
    for port in ports:
        for oid, size in port.oids(APART):
            requests.put(oid, size)
    for mark in marks:
        requests.put(mark, size_of(mark, wide=False))
    return requests.filled()


def _put_siblings(requests: Requests, members: Sequence[_Port]) -> None:
    """Octets and packets of all members in one request; else octets, else as many members' as fit."""
    for offered in (TOGETHER,), (TOGETHER[:2], TOGETHER[2:]):
        blocks = [[asked for port in members for asked in port.oids(part)] for part in offered]
        if all(requests.fits(size for _, size in block) for block in blocks):
            for block in filter(None, blocks):
                requests.put_together(block)
            return
    for port in members:
        requests.put_together(port.oids(TOGETHER))


def _names(found: Discovered, ports: Sequence[_Port]) -> tuple[PortName, ...]:
    methods, bundles = dict(found.methods), dict(found.bundles)
    return tuple(
        PortName(
            device=found.device,
            port=port.told.port,
            team=port.told.team,
            method=methods.get(port.told.team, "unknown"),
            bundle=bundles.get(port.told.team, ""),
            if_index=port.told.if_index,
        )
        for port in ports
    )


def _prepared(ports: Sequence[_Port], pdus: tuple[tuple[str, ...], ...]) -> Prepared:
    place_of, request_of = {}, {}
    asked = 0
    for request, pdu in enumerate(pdus):
        for oid in pdu:
            place_of[oid], request_of[oid] = asked, request
            asked += 1
    places = np.full((len(ports), len(RAW)), asked, dtype=np.int32)
    requests = np.zeros((len(ports), 3), dtype=np.int32)
    for row, port in enumerate(ports):
        named = {name: f"{column}.{port.told.if_index}" for name, column in port.columns.items()}
        places[row] = [place_of.get(named.get(name, ""), asked) for name in RAW]
        brought = [request_of[oid] for oid in named.values()]
        octets = named.get("out_octets") or named["in_octets"]
        requests[row] = request_of[octets], min(brought), max(brought)
    return Prepared(
        places=places,
        request=requests,
        masks=np.array([(_MASKS[p.narrow_octets], _MASKS[p.narrow_packets]) for p in ports], np.uint64).reshape(-1, 2),
        role=np.array([port.told.role for port in ports], dtype=np.uint8),
        counter_bits=np.array([32 if port.narrow_octets else 64 for port in ports], dtype=np.uint8),
        half_duplex=np.array([port.half_duplex for port in ports], dtype=np.uint8),
        mac=np.array([port.told.mac for port in ports], dtype=np.int64),
        mtu=np.array([min(max(port.told.mtu, 0), 0x7FFFFFFF) for port in ports], dtype=np.int32),
    )


def _notes(ports: Sequence[_Port]) -> tuple[str, ...]:
    notes = []
    for port in ports:
        if not {"out_octets", "in_octets"} & port.columns.keys():
            notes.append(f"{port.told.port} counts no octets: not polled")
        elif port.narrow_octets and port.told.speed_bps >= NARROW_MOST_BPS:
            notes.append(
                f"{port.told.port} counts octets with 32 bits at {port.told.speed_bps // 1_000_000} Mbit/s:"
                f" round in {2**35 / port.told.speed_bps:.2f} s, poll at most every 0.8 of that"
            )
    return tuple(notes)
