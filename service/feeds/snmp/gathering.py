"""What many polls brought, behind each other in arrays: values, what is known of them, and when they were read."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.feeds.snmp.counting import RAW
from service.feeds.snmp.plan import PollPlan
from service.terms import UNKNOWN, Counters, Ints, Reply, Truths

TICKS_ROUND = 1 << 32  # TimeTicks start anew after so many (RFC 2578 section 7.1.8)
_MOST_64 = (1 << 64) - 1
_NO_REPLY = Reply(UNKNOWN, UNKNOWN, {})


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
class Raw:
    """Raw readings, one row a port of a poll."""

    values: Counters
    known: Truths
    whole: Truths  # no restart came between the requests that brought them
    at_ms: Ints
    received_ms: Ints
    uptime_ticks: Ints


def raw_of(told: Sequence[Polled]) -> Raw:
    """The raw readings of all ports of all polls."""
    polls = [Polled(plan, _aligned(plan, replies)) for plan, replies in told]
    values = _values(polls)
    per_port = np.array([len(poll.plan.ports) for poll in polls], dtype=np.int64)
    places = joined(polls, "places") + np.repeat(values.start[:-1], per_port)[:, None]
    first, sent, received, uptime, era = _requests(polls, values)
    request = joined(polls, "request") + np.repeat(first, per_port)[:, None]
    brought = request[:, 0]
    return Raw(
        values=values.values[places],
        known=values.known[places],
        whole=era[request[:, 1]] == era[request[:, 2]],
        at_ms=(sent + received)[brought] // 2,
        received_ms=received[brought],
        uptime_ticks=uptime[brought],
    )


def joined(polls: Sequence[Polled], name: str) -> npt.NDArray[Any]:
    """A prepared array of all plans, behind each other."""
    parts = [getattr(poll.plan.prepared, name) for poll in polls]
    return np.concatenate(parts) if parts else _EMPTY[name]


def _aligned(plan: PollPlan, replies: Sequence[Reply]) -> Sequence[Reply]:
    """A reply for each request; where a request had to be halved, what its parts brought is joined."""
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
    rolled_ms = np.diff(uptime) % TICKS_ROUND * 10
    restarted = fell & (rolled_ms > np.maximum(np.diff(received), 0) + 60_000)
    return np.concatenate(([0], np.cumsum(restarted))).astype(np.int64)


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
