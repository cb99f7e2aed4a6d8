"""From the replies of polls to samples, many devices at once."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.feeds.snmp.counting import RAW
from service.feeds.snmp.plan import MARKS, UPTIME, PollPlan
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

_ROUND = 1 << 32  # TimeTicks start anew after so many (RFC 2578 section 7.1.8)
_MOST_64 = (1 << 64) - 1
_RAW = {name: place for place, name in enumerate(RAW)}
_SATURATED = 0xFFFFFFFF
_NO_REPLY = Reply(UNKNOWN, UNKNOWN, {})
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


class Polled(NamedTuple):
    """A plan, and the replies to its requests in their order."""

    plan: PollPlan
    replies: Sequence[Reply]


@dataclass(frozen=True, eq=False)
class _Values:
    """All values of all polls behind each other, a blank after each poll's; `start` says where each poll's begin."""

    values: Counters
    known: Truths
    start: Ints


@dataclass(frozen=True, eq=False)
class _Raw:
    """Raw readings, one row a port of a poll."""

    values: Counters
    known: Truths
    whole: Truths  # no restart came between the requests that brought them
    at_ms: Ints
    received_ms: Ints
    uptime_ticks: Ints


def parsed(polls: Sequence[Polled]) -> Parsed:
    """One sample a port and poll; ports whose row is gone, or across whose readings a restart fell, have none."""
    aligned = [Polled(poll.plan, _aligned(poll)) for poll in polls]
    raw = _raw(aligned)
    names, port = _ports(aligned)
    rows = np.flatnonzero(raw.whole & raw.known[:, _OCTETS].any(axis=1) & (raw.at_ms != UNKNOWN))
    values, known = raw.values[rows], raw.known[rows]
    counters, bits = _counters(values, known, _joined(aligned, "masks")[rows])
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
    return Parsed(samples, _facts(aligned, rows, values, known), names, np.arange(len(rows), dtype=np.int64))


def missing(polls: Sequence[Polled]) -> tuple[tuple[str, str], ...]:
    """Device and name of each port whose octet counters a device no longer has, though it answered."""
    gone = []
    for plan, replies in polls:
        if len(replies) < len(plan.pdus) or sum(len(reply.values) for reply in replies) >= sum(map(len, plan.pdus)):
            continue
        told = set().union(*(reply.values for reply in replies))
        gone += [
            (plan.device, name.port)
            for name, octets in zip(plan.ports, plan.octets, strict=True)
            if told.isdisjoint(octets)
        ]
    return tuple(gone)


def changed_marks(replies: Sequence[Reply]) -> tuple[int, ...]:
    """When interfaces, their stack and the LAG tables last changed, by the device; UNKNOWN where it does not tell."""
    told: dict[str, Any] = {mark: reply.values[mark] for reply in replies for mark in MARKS if mark in reply.values}
    return tuple(told.get(mark, UNKNOWN) for mark in MARKS)


def uptimes(replies: Sequence[Reply]) -> tuple[int, ...]:
    """The uptime that each reply told, in 1/100 s, UNKNOWN where it told none."""
    return tuple(reply.values.get(UPTIME, UNKNOWN) for reply in replies)


def skew_ms(replies: Sequence[Reply]) -> int:
    """How far the first and the last reading of a poll lie apart, by the middle of request and reply."""
    at_ms = [(reply.sent_ms + reply.received_ms) // 2 for reply in replies]
    return max(at_ms) - min(at_ms) if at_ms else 0


def has_restarted(before_ticks: int, ticks: int, waited_ms: int) -> bool:
    """Whether an agent started anew since an earlier poll: its uptime fell, and not because 2^32 ticks were over."""
    if UNKNOWN in (before_ticks, ticks) or ticks >= before_ticks:
        return False
    rolled_ms = (ticks - before_ticks) % _ROUND * 10
    return abs(rolled_ms - waited_ms) > max(2_000, waited_ms // 20)


def _aligned(poll: Polled) -> Sequence[Reply]:
    """A reply for each request; where a request had to be halved, what its parts brought is joined."""
    plan, replies = poll
    if len(replies) == len(plan.pdus):
        return replies
    return [_joined_reply(pdu, replies) for pdu in plan.pdus]


def _joined_reply(pdu: Sequence[str], replies: Sequence[Reply]) -> Reply:
    asked = set(pdu[1:])
    parts = [reply for reply in replies if not asked.isdisjoint(reply.values)] or list(replies[:1])
    if not parts:
        return _NO_REPLY
    values = {oid: value for part in reversed(parts) for oid, value in part.values.items()}
    return Reply(min(part.sent_ms for part in parts), max(part.received_ms for part in parts), values)


def _raw(polls: Sequence[Polled]) -> _Raw:
    values = _values(polls)
    per_port = np.array([len(poll.plan.ports) for poll in polls], dtype=np.int64)
    places = _joined(polls, "places") + np.repeat(values.start[:-1], per_port)[:, None]
    first, sent, received, uptime, era = _requests(polls, values)
    request = _joined(polls, "request") + np.repeat(first, per_port)[:, None]
    brought = request[:, 0]
    return _Raw(
        values=values.values[places],
        known=values.known[places],
        whole=era[request[:, 1]] == era[request[:, 2]],
        at_ms=(sent + received)[brought] // 2,
        received_ms=received[brought],
        uptime_ticks=uptime[brought],
    )


def _values(polls: Sequence[Polled]) -> _Values:
    blocks = [_block(poll) for poll in polls]
    start = np.concatenate(([0], np.cumsum([len(block) for block in blocks]))).astype(np.int64)
    known = np.ones(start[-1], dtype=np.bool_)
    known[start[1:] - 1] = False
    try:
        values = _numbers(chain.from_iterable(blocks))
    except (TypeError, OverflowError):  # something is missing, or no counter
        flat = [value if _is_counter(value) else None for block in blocks for value in block]
        known &= np.array([value is not None for value in flat], dtype=np.bool_)
        values = _numbers(value or 0 for value in flat)
    return _Values(values, known, start)


def _block(poll: Polled) -> list[Any]:
    """A poll's values in the order of its requests, None where there is none, and a blank at the end."""
    block: list[Any] = []
    for pdu, reply in zip(poll.plan.pdus, poll.replies, strict=True):
        block += map(reply.values.get, pdu)
    block.append(0)
    return block


def _numbers(values: Iterable[Any]) -> Counters:
    # Not np.fromiter, which takes 1.5 and "5" for numbers.
    return np.frombuffer(array("Q", list(values)), dtype=np.uint64)


def _is_counter(value: Any) -> bool:
    return isinstance(value, int) and 0 <= value <= _MOST_64


def _requests(polls: Sequence[Polled], values: _Values) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    """Each poll's first request; for each request when it was sent and answered, its uptime, and its era.

    Requests of one poll between which no restart fell are of one era.
    """
    counts = np.array([len(poll.plan.pdus) for poll in polls], dtype=np.int64)
    first = np.concatenate(([0], np.cumsum(counts)))[:-1].astype(np.int64)
    replies = [reply for poll in polls for reply in poll.replies]
    sent = np.fromiter((reply.sent_ms for reply in replies), np.int64, len(replies))
    received = np.fromiter((reply.received_ms for reply in replies), np.int64, len(replies))
    lengths = np.array([len(pdu) for poll in polls for pdu in poll.plan.pdus], dtype=np.int64)
    poll_of = np.repeat(np.arange(len(polls)), counts)
    place = np.cumsum(lengths) - lengths + poll_of  # a blank after each poll
    uptime = np.where(values.known[place], values.values[place].astype(np.int64), UNKNOWN)
    return first, sent, received, uptime, _eras(uptime, received)


def _eras(uptime: Ints, received: Ints) -> Ints:
    """A number that rises where an agent's uptime fell by more than coming round would explain."""
    if not len(uptime):
        return uptime
    fell = (np.diff(uptime) < 0) & (uptime[1:] != UNKNOWN)
    rolled_ms = np.diff(uptime) % _ROUND * 10
    restarted = fell & (rolled_ms > np.maximum(np.diff(received), 0) + 60_000)
    return np.concatenate(([0], np.cumsum(restarted))).astype(np.int64)


def _joined(polls: Sequence[Polled], name: str) -> npt.NDArray[Any]:
    """A prepared array of all plans, behind each other."""
    parts = [getattr(poll.plan.prepared, name) for poll in polls]
    return np.concatenate(parts) if parts else _EMPTY[name]


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
        counter_bits=_joined(polls, "counter_bits")[rows],
        counts=np.full(len(rows), Counts.FRAME, dtype=np.uint8),
        form=np.full(len(rows), Form.COUNTER, dtype=np.uint8),
        oper=np.where(oper <= max(OperStatus), oper, OperStatus.NOT_TOLD).astype(np.uint8),
        role=_joined(polls, "role")[rows],
        mac=_joined(polls, "mac")[rows],
        mtu=_joined(polls, "mtu")[rows],
        last_change_ticks=_ticks(values, known, "last_change"),
        half_duplex=_joined(polls, "half_duplex")[rows],
    )


def _speeds(values: Counters, known: Truths) -> Ints:
    """Bit/s; the unit of 10^6 first, and nothing from a 32-bit gauge at its end (RFC 2863)."""
    high = (values[:, _RAW["high_speed"]] * known[:, _RAW["high_speed"]]).astype(np.int64)
    low = (values[:, _RAW["speed"]] * known[:, _RAW["speed"]]).astype(np.int64)
    return np.where(high > 0, np.minimum(high, _SATURATED) * 1_000_000, np.where(low == _SATURATED, 0, low))


def _ticks(values: Counters, known: Truths, name: str) -> Ints:
    place = _RAW[name]
    return np.where(known[:, place], (values[:, place] % np.uint64(_ROUND)).astype(np.int64), UNKNOWN)


_EMPTY: dict[str, npt.NDArray[Any]] = {
    "places": np.zeros((0, len(RAW)), np.int32),
    "request": np.zeros((0, 3), np.int32),
    "masks": np.zeros((0, 2), np.uint64),
    "role": np.zeros(0, np.uint8),
    "counter_bits": np.zeros(0, np.uint8),
    "half_duplex": np.zeros(0, np.uint8),
    "mac": np.zeros(0, np.int64),
    "mtu": np.zeros(0, np.int32),
}
