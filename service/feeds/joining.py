"""Pieces of one feed put together: ports and facts that came in several pieces become one again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from service.terms import UNKNOWN, Codes, Counters, FactsTable, Ints, Parsed, PortName, Reject, Samples

_FACTS = tuple(field.name for field in fields(FactsTable))


@dataclass
class _Whole:
    """What the pieces so far add up to."""

    place: dict[tuple[str, str], int] = field(default_factory=dict)
    ports: list[PortName] = field(default_factory=list)
    facts: dict[tuple[int, ...], int] = field(default_factory=dict)
    samples: list[Samples] = field(default_factory=list)
    index: list[Ints] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)


def joined(pieces: Iterable[Parsed]) -> Parsed:
    """One Parsed of several, in their order."""
    whole = _Whole()
    for piece in pieces:
        port = _port_places(whole, piece.ports)
        facts = _facts_places(whole, piece.facts)
        whole.samples.append(replace(piece.samples, port=port[piece.samples.port], facts=facts[piece.samples.facts]))
        whole.index.append(piece.index)
        whole.rejects += piece.rejects
    return Parsed(
        samples=_samples(whole.samples),
        facts=_table(list(whole.facts)),
        ports=tuple(whole.ports),
        index=np.concatenate([np.zeros(0, dtype=np.int64), *whole.index]),
        rejects=tuple(whole.rejects),
    )


def _port_places(whole: _Whole, names: Sequence[PortName]) -> Codes:
    places = np.empty(len(names), dtype=np.int32)
    for row, name in enumerate(names):
        place = whole.place.setdefault((name.device, name.port), len(whole.ports))
        if place == len(whole.ports):
            whole.ports.append(name)
        elif whole.ports[place] is not name:
            whole.ports[place] = _newer(whole.ports[place], name)
        places[row] = place
    return places


def _newer(before: PortName, name: PortName) -> PortName:
    """The later name of a port, with what only the earlier one tells."""
    return PortName(
        name.device,
        name.port,
        name.team or before.team,
        before.method if name.method == "unknown" else name.method,
        name.bundle or before.bundle,
        name.if_index or before.if_index,
    )


def _facts_places(whole: _Whole, table: FactsTable) -> Codes:
    rows = zip(*(getattr(table, name).tolist() for name in _FACTS), strict=True)
    return np.array([whole.facts.setdefault(row, len(whole.facts)) for row in rows], dtype=np.int32)


def _table(rows: Sequence[tuple[int, ...]]) -> FactsTable:
    kinds = {name: getattr(FactsTable.of([]), name).dtype for name in _FACTS}
    return FactsTable(
        **{name: np.array([row[at] for row in rows], dtype=kinds[name]) for at, name in enumerate(_FACTS)}
    )


def _samples(pieces: Sequence[Samples]) -> Samples:
    columns = tuple(sorted({column for piece in pieces for column in piece.columns}))
    return Samples(
        port=np.concatenate([np.zeros(0, dtype=np.int32), *(piece.port for piece in pieces)]),
        at_ms=np.concatenate([np.zeros(0, dtype=np.int64), *(piece.at_ms for piece in pieces)]),
        facts=np.concatenate([np.zeros(0, dtype=np.int32), *(piece.facts for piece in pieces)]),
        known=np.concatenate([np.zeros(0, dtype=np.uint16), *(piece.known for piece in pieces)]),
        counters=_counters(pieces, columns),
        received_ms=_where_told(pieces, "received_ms"),
        uptime_ticks=_where_told(pieces, "uptime_ticks"),
        discontinuity_ticks=_where_told(pieces, "discontinuity_ticks"),
        columns=columns,
    )


def _counters(pieces: Sequence[Samples], columns: tuple[int, ...]) -> Counters:
    counters = np.zeros((sum(map(len, pieces)), len(columns)), dtype=np.uint64)
    start = 0
    for piece in pieces:
        for place, column in enumerate(piece.columns):
            counters[start : start + len(piece), columns.index(column)] = piece.counters[:, place]
        start += len(piece)
    return counters


def _where_told(pieces: Sequence[Samples], name: str) -> Ints:
    """A column that may have length 0: still so where no piece tells it."""
    told = [getattr(piece, name) for piece in pieces]
    if not any(map(len, told)):
        return np.zeros(0, dtype=np.int64)
    blank = [np.full(len(piece), UNKNOWN, dtype=np.int64) for piece in pieces]
    return np.concatenate([values if len(values) else none for values, none in zip(told, blank, strict=True)])
