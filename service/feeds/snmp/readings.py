"""From the replies of polls to samples, many devices at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from service.feeds.snmp.counting import RAW
from service.feeds.snmp.gathering import TICKS_ROUND, Polled, joined, raw_of
from service.feeds.snmp.plan import MARKS, PollPlan
from service.terms import (
    COUNTERS,
    UNKNOWN,
    Codes,
    Counters,
    Counts,
    FactsTable,
    Form,
    Ints,
    OperStatus,
    Parsed,
    PortName,
    Reply,
    Samples,
    Truths,
)

__all__ = ["Polled", "changed_marks", "missing", "parsed", "statuses"]

_RAW = {name: place for place, name in enumerate(RAW)}
_SATURATED = 0xFFFFFFFF
# Where each counter that is read as it stands comes from; packets are sums.
_PLAIN = {
    COUNTERS.index(f"{way}_{measure}"): _RAW[f"{way}_{raw}"]
    for way in ("out", "in")
    for measure, raw in (
        ("octets", "octets"),
        ("mcast_packets", "mcast"),
        ("bcast_packets", "bcast"),
        ("discards", "discards"),
        ("errors", "errors"),
    )
}
_SUMS = {
    COUNTERS.index(f"{way}_packets"): [_RAW[f"{way}_{part}"] for part in ("ucast", "mcast", "bcast")]
    for way in ("out", "in")
}
_PACKETS = slice(_RAW["out_ucast"], _RAW["in_bcast"] + 1)
_OCTETS = [_RAW["out_octets"], _RAW["in_octets"]]


def parsed(polls: Sequence[Polled]) -> Parsed:
    """One sample a port and poll; ports whose row is gone, or across whose readings a restart fell, have none."""
    raw = raw_of(polls)
    names, port = _ports(polls)
    rows = np.flatnonzero(raw.whole & raw.known[:, _OCTETS].any(axis=1) & (raw.at_ms != UNKNOWN))
    values, known = raw.values[rows], raw.known[rows]
    counters, bits = _counters(values, known, joined(polls, "masks")[rows])
    samples = Samples(
        port=port[rows],
        at_ms=raw.at_ms[rows],
        facts=np.arange(len(rows), dtype=np.int32),
        known=bits,
        counters=counters,
        received_ms=raw.received_ms[rows],
        uptime_ticks=raw.uptime_ticks[rows],
        discontinuity_ticks=_ticks(values, known, "discontinuity"),
    )
    return Parsed(samples, _facts(polls, rows, values, known), names, np.arange(len(rows), dtype=np.int64))


def missing(polls: Sequence[Polled]) -> tuple[tuple[str, str], ...]:
    """Device and name of each port whose octet counters a device no longer has, though it answered everything."""
    return tuple(
        (plan.device, name.port)
        for plan, replies in polls
        if len(replies) >= len(plan.pdus) and not _is_complete(plan, replies)
        for name, octets in zip(plan.ports, plan.octets, strict=True)
        if not any(oid in reply.values for reply in replies for oid in octets)
    )


def _is_complete(plan: PollPlan, replies: Sequence[Reply]) -> bool:
    told = [len(reply.values) for reply in replies]
    return told == [len(pdu) for pdu in plan.pdus]


def changed_marks(replies: Sequence[Reply]) -> tuple[int, ...]:
    """When interfaces, their stack and the LAG tables last changed, by the device; UNKNOWN where it does not tell."""
    told: dict[str, Any] = {mark: reply.values[mark] for reply in replies for mark in MARKS if mark in reply.values}
    return tuple(told.get(mark, UNKNOWN) for mark in MARKS)


def statuses(plan: PollPlan, replies: Sequence[Reply]) -> tuple[Any, ...]:
    """The operational status of each port of a plan as the device tells it; None where it does not."""
    told: dict[str, Any] = {}
    for reply in replies:
        told |= reply.values
    return tuple(map(told.get, plan.statuses))


def _ports(polls: Sequence[Polled]) -> tuple[tuple[PortName, ...], Codes]:
    names = tuple(name for poll in polls for name in poll.plan.ports)
    if len({poll.plan.device for poll in polls}) == len(polls):
        return names, np.arange(len(names), dtype=np.int32)
    # The same device twice: its later plan names its ports.
    place = {(name.device, name.port): name for name in names}
    order = {key: position for position, key in enumerate(place)}
    codes = np.array([order[name.device, name.port] for name in names], dtype=np.int32)
    return tuple(place.values()), codes


def _counters(values: Counters, known: Truths, masks: Counters) -> tuple[Counters, npt.NDArray[np.uint16]]:
    """Counters in their columns, and the bits of those that are known."""
    values[:, _OCTETS] &= masks[:, :1]
    values[:, _PACKETS] &= masks[:, 1:]
    counters = np.zeros((len(values), len(COUNTERS)), dtype=np.uint64)
    bits = np.zeros(len(values), dtype=np.uint16)
    for column, place in _PLAIN.items():
        counters[:, column] = values[:, place] * known[:, place]
        bits |= known[:, place].astype(np.uint16) << np.uint16(column)
    for column, parts in _SUMS.items():
        all_known = known[:, parts].all(axis=1)
        # Counters that wrapped add up to one that wraps alike: uint64 at 2^64, the mask at 2^32.
        counters[:, column] = values[:, parts].sum(axis=1, dtype=np.uint64) & masks[:, 1] * all_known
        bits |= all_known.astype(np.uint16) << np.uint16(column)
    return counters, bits


def _facts(polls: Sequence[Polled], rows: Ints, values: Counters, known: Truths) -> FactsTable:
    oper = values[:, _RAW["oper"]] * known[:, _RAW["oper"]]
    return FactsTable(
        speed_bps=_speeds(values, known),
        counter_bits=joined(polls, "counter_bits")[rows],
        counts=np.full(len(rows), Counts.FRAME, dtype=np.uint8),
        form=np.full(len(rows), Form.COUNTER, dtype=np.uint8),
        oper=np.where(oper <= max(OperStatus), oper, OperStatus.NOT_TOLD).astype(np.uint8),
        role=joined(polls, "role")[rows],
        mac=joined(polls, "mac")[rows],
        mtu=joined(polls, "mtu")[rows],
        last_change_ticks=_ticks(values, known, "last_change"),
        half_duplex=joined(polls, "half_duplex")[rows],
    )


def _speeds(values: Counters, known: Truths) -> Ints:
    """Bit/s; the unit of 10^6 first, and nothing from a 32-bit gauge at its end (RFC 2863)."""
    high = (values[:, _RAW["high_speed"]] * known[:, _RAW["high_speed"]]).astype(np.int64)
    low = (values[:, _RAW["speed"]] * known[:, _RAW["speed"]]).astype(np.int64)
    return np.where(high > 0, np.minimum(high, _SATURATED) * 1_000_000, np.where(low == _SATURATED, 0, low))


def _ticks(values: Counters, known: Truths, name: str) -> Ints:
    place = _RAW[name]
    return np.where(known[:, place], (values[:, place] % np.uint64(TICKS_ROUND)).astype(np.int64), UNKNOWN)
