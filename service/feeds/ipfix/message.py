"""A message of an exporter: its flows, and how many records before it were lost (RFC 7011 section 3)."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from service.errors import BrokenDatagram
from service.feeds.ipfix import elements, templates
from service.feeds.ipfix.templates import LEAST_ID, OPTIONS_SET, TEMPLATE_SET, Domain
from service.feeds.items_flows import Flow

VERSION = 10
MOST_DOMAINS = 64
# A datagram has room for fewer records that name an interface, octets and two addresses.
MOST_RECORDS = 5000
# A sequence number further away than this is that of an exporter which began anew, not of lost records.
MOST_LOST = 1_000_000
_HEADER, _SET = struct.Struct("!HHIII"), struct.Struct("!HH")
_ROUND = 2**32


@dataclass
class Exporter:
    """What is remembered of one exporter between its messages, by observation domain."""

    domains: dict[int, Domain] = field(default_factory=dict)


@dataclass(frozen=True)
class Message:
    """What a message told: its flows, how many records it had and were lost before it, sets of no known template."""

    export_ms: int
    flows: tuple[Flow, ...] = ()
    records: int = 0
    lost: int = 0
    unknown_sets: int = 0
    without_octets: int = 0


@dataclass
class _Tally:
    flows: list[Flow] = field(default_factory=list)
    records: int = 0
    unknown_sets: int = 0
    without_octets: int = 0


def read(octets: bytes, exporter: Exporter) -> Message:
    """The flows of one message; BrokenDatagram where it is not of RFC 7011 to the letter."""
    number, export_ms, sequence = _header(octets)
    if number not in exporter.domains and len(exporter.domains) >= MOST_DOMAINS:
        raise BrokenDatagram("IPFIX", f"brings more than {MOST_DOMAINS} observation domains")
    domain = exporter.domains.setdefault(number, Domain())
    tally, at = _Tally(), _HEADER.size
    while at < len(octets):
        set_id, body = _set(octets, at)
        at += _SET.size + len(body)
        _take(domain, set_id, body, export_ms, tally)
    lost = _lost(domain, sequence, tally.records)
    return Message(export_ms, tuple(tally.flows), tally.records, lost, tally.unknown_sets, tally.without_octets)


def _header(octets: bytes) -> tuple[int, int, int]:
    """Observation domain, export time and sequence number."""
    if len(octets) < _HEADER.size:
        raise BrokenDatagram("IPFIX", "is shorter than a header")
    version, length, export_s, sequence, domain = _HEADER.unpack_from(octets)
    if version != VERSION:
        raise BrokenDatagram("IPFIX", f"is of version {version}, not {VERSION}")
    if length != len(octets):
        raise BrokenDatagram("IPFIX", f"says that it has {length} octets and has {len(octets)}")
    return domain, 1000 * export_s, sequence


def _set(octets: bytes, at: int) -> tuple[int, bytes]:
    if len(octets) - at < _SET.size:
        raise BrokenDatagram("IPFIX", "ends within the header of a set")
    set_id, length = _SET.unpack_from(octets, at)
    if length < _SET.size or at + length > len(octets):
        raise BrokenDatagram("IPFIX", f"has a set of {length} octets, which do not fit")
    return set_id, octets[at + _SET.size : at + length]


def _take(domain: Domain, set_id: int, body: bytes, export_ms: int, tally: _Tally) -> None:
    if set_id in {TEMPLATE_SET, OPTIONS_SET}:
        templates.learn(domain, body, options=set_id == OPTIONS_SET)
    elif set_id < LEAST_ID:
        raise BrokenDatagram("IPFIX", f"has a set of number {set_id}, which is reserved")
    elif (template := domain.templates.get(set_id)) is None:
        tally.unknown_sets += 1  # its template is still to come, or was lost
    else:
        for told in templates.records(template, body):
            tally.records += 1
            if tally.records > MOST_RECORDS:
                raise BrokenDatagram("IPFIX", f"has more than {MOST_RECORDS} records")
            if template.options:
                _remember(domain, told)
            else:
                _meter(domain, told, export_ms, tally)


def _remember(domain: Domain, told: elements.Fields) -> None:
    """What options say of all records of the domain: when its uptime began, and how it samples."""
    domain.started_ms = elements.number(told, elements.STARTED_MS) or domain.started_ms
    domain.sampling = elements.sampling(told) or domain.sampling


def _meter(domain: Domain, told: elements.Fields, export_ms: int, tally: _Tally) -> None:
    rate = elements.sampling(told) or domain.sampling
    forward = elements.flow(told, export_ms, domain.started_ms, rate)
    if forward is None:
        tally.without_octets += 1
        return
    tally.flows.append(forward)
    if (back := elements.reversed_flow(told, forward, rate)) is not None:
        tally.flows.append(back)


def _lost(domain: Domain, sequence: int, records: int) -> int:
    """Records that were sent before this message and never came; each message counts the records before it."""
    expected = domain.next_sequence
    ahead = 0 if expected is None else (sequence - expected) % _ROUND
    if ahead > _ROUND // 2:  # an older one, overtaken on its way, or an exporter that began anew
        if _ROUND - ahead > MOST_LOST or sequence == 0:
            domain.next_sequence = (sequence + records) % _ROUND
        return 0
    domain.next_sequence = (sequence + records) % _ROUND
    return ahead if ahead <= MOST_LOST else 0
