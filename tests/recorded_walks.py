"""Walks of real agents, recorded by others: the package snmpsim-data, found by what is in them, never by name.

Each is one snapshot: counters have no deltas. Only the standard tables of interfaces and of link aggregation are read.
"""

from __future__ import annotations

import bz2
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

from service.feeds.snmp import discovery, oids, plan, readings
from service.terms import Discovered, Parsed, Reply

# Of the IEEE8023-LAG-MIB and of what lies under mib-2; a recording is in the order of its identifiers.
_PREFIXES = (b"1.2.840.10006.300.43.1.", b"1.3.6.1.2.1.1.3.", b"1.3.6.1.2.1.2.2.1.", b"1.3.6.1.2.1.31.1.")
_DUPLEX = oids.DUPLEX.encode() + b"."
_PAST = b"1.3.6.1.4."
_NUMBERS = frozenset((b"2", b"65", b"66", b"67", b"70"))  # INTEGER, Counter32, Gauge32, TimeTicks, Counter64

Rows = Mapping[str, Any]


@cache
def walks() -> tuple[Rows, ...]:
    """The rows of every recording that has interfaces, as an SNMP client hands them over."""
    files = (file for file in metadata.files("snmpsim-data") or () if ".snmprec" in file.name)
    return tuple(rows for file in files if (rows := dict(_rows(Path(str(file.locate()))))))


def walk_with(*wanted: str) -> Rows:
    """The first walk that has all of these identifiers."""
    return next(rows for rows in walks() if all(oid in rows for oid in wanted))


def walks_with(*wanted: str) -> list[Rows]:
    """All walks that have all of these identifiers."""
    return [rows for rows in walks() if all(oid in rows for oid in wanted)]


def found_in(rows: Rows) -> Discovered:
    """What is discovered of a recorded device, called ferry3 here."""
    return discovery.discovered("ferry3", {oid: rows[oid] for oid in rows if _is_walked(oid)})


def sampled(rows: Rows, found: Discovered) -> Parsed:
    """One poll of a recorded device, answered out of its recording."""
    poll = plan.plan_of(found, rows=rows)
    replies = [
        Reply(10 * step, 10 * step + 4, {oid: rows[oid] for oid in pdu if oid in rows})
        for step, pdu in enumerate(poll.pdus)
    ]
    return readings.parsed([readings.Polled(poll, replies)])


def teams_of(found: Discovered) -> dict[str, list[int]]:
    """The ifIndex of each team's members."""
    teams: dict[str, list[int]] = {}
    for port in found.ports:
        if port.team:
            teams.setdefault(port.team, []).append(port.if_index)
    return teams


def aggregators_of(found: Discovered) -> dict[int, list[int]]:
    """The ifIndex of each team's members by that of its aggregator."""
    teams = teams_of(found)
    return {port.if_index: teams[port.aggregate_of] for port in found.ports if port.aggregate_of}


def _is_walked(oid: str) -> bool:
    column = oid.rpartition(".")[0]
    return column in discovery.WALKED or column.rpartition(".")[0] == oids.IF_STACK_STATUS


def _rows(path: Path) -> Iterator[tuple[str, Any]]:
    with bz2.open(path) if path.suffix == ".bz2" else path.open("rb") as lines:
        for line in lines:
            if line.startswith(_PREFIXES) or line.startswith(_DUPLEX):
                oid, kind, value = line.rstrip(b"\r\n").split(b"|", 2)
                yield oid.decode(), _value(kind, value)
            elif line.startswith(_PAST):
                return


def _value(kind: bytes, value: bytes) -> Any:
    if kind in _NUMBERS:
        return int(value)
    if kind == b"4x":
        return bytes.fromhex(value.decode())
    return value.decode() if kind == b"6" else value
