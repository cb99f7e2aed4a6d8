"""Where intervals of averages begin.

An average tells of the interval that its row says, and of nothing before. The core lets an
interval begin at the sample before, so where that one lies further back (a hole in the export,
the first row of a file) an anchor is put in: a sample without any value, a millisecond inside
the interval, where it can never take the place of a reading that another file brings.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from service.feeds.joining import joined
from service.terms import UNKNOWN, Ints, Parsed

INSIDE_MS = 1
# Exporters stamp late by a moment now and then; up to a twentieth of the interval is no hole.
LATE = 1 / 20


class _Readings(NamedTuple):
    port: Ints
    at_ms: Ints


def anchored(pieces: Iterable[Parsed], interval_ms: int) -> Iterator[Parsed]:
    """The same pieces with anchors, whose index is UNKNOWN; in any order of time as long as neighbours are near.

    Each piece is looked at with the one before and the one after it, so that memory stays bounded
    and a file may also begin with its newest row.
    """
    places: dict[tuple[str, str], int] = {}
    before = here = _Readings(np.zeros(0, np.int64), np.zeros(0, np.int64))
    held: Parsed | None = None
    for piece in itertools.chain(pieces, [None]):
        after = _readings(piece, places) if piece is not None else here
        if held is not None:
            yield _with_anchors(held, (here, before, after), interval_ms)
        before, here, held = here, after, piece


def apart(parsed: Parsed) -> tuple[Parsed, Parsed]:
    """The anchors of a piece, and its readings with all that was refused."""
    is_anchor = parsed.index == UNKNOWN
    return (
        replace(parsed, samples=parsed.samples.take(is_anchor), index=parsed.index[is_anchor], rejects=()),
        replace(parsed, samples=parsed.samples.take(~is_anchor), index=parsed.index[~is_anchor]),
    )


def _readings(piece: Parsed, places: dict[tuple[str, str], int]) -> _Readings:
    """The readings of a piece, ports numbered alike in all pieces."""
    numbers = [places.setdefault((name.device, name.port), len(places)) for name in piece.ports]
    return _Readings(np.array(numbers, dtype=np.int64)[piece.samples.port], piece.samples.at_ms)


def _with_anchors(piece: Parsed, readings: Sequence[_Readings], interval_ms: int) -> Parsed:
    rows = _unpreceded(readings, round(interval_ms * (1 + LATE)))
    if not len(rows):
        return piece
    samples = piece.samples.take(rows)
    blank = replace(
        samples,
        at_ms=samples.at_ms - interval_ms + INSIDE_MS,
        known=np.zeros_like(samples.known),
        counters=np.zeros_like(samples.counters),
    )
    return joined([piece, replace(piece, samples=blank, index=np.full(len(rows), UNKNOWN, np.int64), rejects=())])


def _unpreceded(readings: Sequence[_Readings], longest_ms: int) -> Ints:
    """Which rows of the first readings have none of their port within reach before them."""
    port = np.concatenate([some.port for some in readings])
    at_ms = np.concatenate([some.at_ms for some in readings])
    order = np.lexsort((at_ms, port))
    far = np.ones(len(order), dtype=np.bool_)
    far[1:] = (port[order][1:] != port[order][:-1]) | (np.diff(at_ms[order]) > longest_ms)
    return np.sort(order[far & (order < len(readings[0].port))])
