"""A datagram of an agent: its packet samples as flows, and how many datagrams before it were lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from service.errors import BrokenDatagram
from service.feeds.items_flows import EGRESS_SIDE, INGRESS_SIDE, MOST_OCTETS, UNKNOWN_SIDE, Flow, address
from service.feeds.sflow import frames
from service.feeds.sflow.words import Words
from service.terms import Endpoints

VERSION = 5
FLOW_SAMPLE, EXPANDED_FLOW_SAMPLE = 1, 3
RAW_HEADER, IPV4_RECORD, IPV6_RECORD = 1, 3, 4
ETHERNET, IPV4, IPV6 = 1, 11, 12  # protocols of a raw header
HEADS = {ETHERNET: frames.of_ethernet, IPV4: frames.of_ipv4, IPV6: frames.of_ipv6}
ADDRESS_LENGTHS = {1: 4, 2: 16}
FRAME_EXTRA = 18  # header of an Ethernet frame and its check sequence, where only the packet is told
MOST_SOURCES = 256
MOST_LOST = 1_000_000
_ROUND = 2**32
_INTERNAL = 0x3FFF_FFFF  # the device itself
# A packet stands for those that passed since the one before: they are put into the second before it was told.
SPREAD_MS = 1000


@dataclass
class Agent:
    """What is remembered of one sender between its datagrams: the next sequence number of each agent and sub-agent."""

    next_sequence: dict[tuple[str, int], int] = field(default_factory=dict)


class Datagram(NamedTuple):
    """What a datagram told: its flows, its packet samples, how many datagrams were lost before it."""

    flows: tuple[Flow, ...]
    records: int
    lost: int


class _Sampled(NamedTuple):
    octets: int  # of the whole frame
    ends: Endpoints


def read(octets: bytes, agent: Agent, received_ms: int) -> Datagram:
    """The flows of one datagram; BrokenDatagram where it is not of version 5 to the letter.

    A datagram does not say when, so that its packets count for the second before it was received.
    """
    words = Words(octets)
    if (version := words.word()) != VERSION:
        raise BrokenDatagram("sFlow", f"is of version {version}, not {VERSION}")
    length = ADDRESS_LENGTHS.get(words.word())
    if length is None:
        raise BrokenDatagram("sFlow", "names its agent by an address of no known kind")
    source = address(words.fixed(length)), words.word()
    sequence, _uptime, count = words.word(), words.word(), words.word()
    flows: list[Flow] = []
    records = 0
    for _ in range(count):  # ends with the octets, however many it claims
        kind, sample = words.word(), words.opaque()
        if kind in {FLOW_SAMPLE, EXPANDED_FLOW_SAMPLE}:
            records += 1
            flows += _flows(Words(sample), received_ms, expanded=kind == EXPANDED_FLOW_SAMPLE)
    return Datagram(tuple(flows), records, _lost(agent, source, sequence))


def _flows(words: Words, received_ms: int, *, expanded: bool) -> Iterator[Flow]:
    words.skip(1)  # the sample's own sequence number
    source = _source(words, expanded=expanded)
    rate = max(1, words.word())
    words.skip(2)  # how many could have been sampled, and how many were dropped for want of resources
    in_index, out_index = _interface(words, expanded=expanded), _interface(words, expanded=expanded)
    sampled = _sampled(words)
    if sampled is not None and sampled.octets * rate <= MOST_OCTETS:
        side = _side(source, in_index, out_index)
        start_ms = received_ms - SPREAD_MS
        yield Flow(in_index, out_index, side, sampled.octets * rate, rate, start_ms, received_ms, sampled.ends)


def _source(words: Words, *, expanded: bool) -> int:
    """The interface that was sampled, 0 where the source is something else."""
    kind, index = (words.word(), words.word()) if expanded else divmod(words.word(), 1 << 24)
    return index if kind == 0 else 0


def _interface(words: Words, *, expanded: bool) -> int:
    """An interface's ifIndex, 0 where it was dropped, went out by several, or came from the device itself."""
    form, index = (words.word(), words.word()) if expanded else divmod(words.word(), 1 << 30)
    return index if form == 0 and index != _INTERNAL else 0


def _side(source: int, in_index: int, out_index: int) -> int:
    if not source or in_index == out_index:
        return UNKNOWN_SIDE
    return INGRESS_SIDE if source == in_index else EGRESS_SIDE if source == out_index else UNKNOWN_SIDE


def _sampled(words: Words) -> _Sampled | None:
    """The frame that a sample is of, None where it tells none of the records that say its size."""
    found = None
    for _ in range(words.word()):
        kind, record = words.word(), Words(words.opaque())
        told = _raw(record) if kind == RAW_HEADER else _packet(kind, record)
        found = found or told
    return found


def _raw(words: Words) -> _Sampled | None:
    protocol, octets = words.word(), words.word()
    words.skip(1)  # octets that were stripped before the head was taken; the size counts them
    head = words.opaque()
    read_head = HEADS.get(protocol)
    if read_head is None:
        return None
    return _Sampled(octets + (0 if protocol == ETHERNET else FRAME_EXTRA), read_head(head))


def _packet(kind: int, words: Words) -> _Sampled | None:
    """A packet as IPv4 or IPv6 tells of it, where no head was sent along."""
    if kind not in {IPV4_RECORD, IPV6_RECORD}:
        return None
    length = 4 if kind == IPV4_RECORD else 16
    octets, protocol = words.word(), words.word()
    source, destination = address(words.fixed(length)), address(words.fixed(length))
    return _Sampled(octets + FRAME_EXTRA, Endpoints(source, destination, protocol, words.word(), words.word()))


def _lost(agent: Agent, source: tuple[str, int], sequence: int) -> int:
    expected = agent.next_sequence.get(source)
    if expected is None and len(agent.next_sequence) >= MOST_SOURCES:
        raise BrokenDatagram("sFlow", f"is of more than {MOST_SOURCES} agents at one address")
    ahead = 0 if expected is None else (sequence - expected) % _ROUND
    if ahead <= _ROUND // 2 or _ROUND - ahead > MOST_LOST or sequence <= 1:
        agent.next_sequence[source] = (sequence + 1) % _ROUND
    return ahead if ahead <= MOST_LOST else 0
