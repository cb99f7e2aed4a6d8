"""Samples in whatever order they arrived, in the order in which they were read."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from service.terms import Samples, Truths

Rows = npt.NDArray[np.intp]


class Ordered(NamedTuple):
    """Samples by port and time, one an instant, and what became of the others.

    `rows` says where each kept sample stood in what was given, `conflicts` which of the given
    rows told other values for an instant already told.
    """

    samples: Samples
    rows: Rows
    duplicates: int
    conflicts: Rows


def in_order(samples: Samples) -> Ordered:
    """Sort by port and time; of samples of one port and instant keep the first given.

    One that repeats the values of the first is a duplicate and only counted; one with other
    values is a conflict. When and how a sample arrived makes no difference to its values.
    """
    if _is_strictly_sorted(samples):
        nothing = np.empty(0, dtype=np.intp)
        return Ordered(samples, np.arange(len(samples)), 0, nothing)
    order = np.lexsort((samples.at_ms, samples.port))  # stable: the first given stays first
    is_first = _differs_from_last(samples.port[order]) | _differs_from_last(samples.at_ms[order])
    kept = order[is_first]
    later = np.flatnonzero(~is_first)
    first_of_later = kept[np.cumsum(is_first)[later] - 1]
    conflicts = order[later[~_same(samples, order[later], first_of_later)]]
    return Ordered(samples.take(kept), kept, len(later) - len(conflicts), np.sort(conflicts))


def _is_strictly_sorted(samples: Samples) -> bool:
    port, at_ms = samples.port, samples.at_ms
    rising = (port[1:] > port[:-1]) | ((port[1:] == port[:-1]) & (at_ms[1:] > at_ms[:-1]))
    return bool(rising.all())


def _differs_from_last(column: npt.NDArray[np.integer]) -> Truths:
    differs = np.ones(len(column), dtype=np.bool_)
    differs[1:] = column[1:] != column[:-1]
    return differs


def _same(samples: Samples, rows: Rows, others: Rows) -> Truths:
    """Whether pairs of samples tell the same counters with the same values."""
    told = (samples.known[rows][:, np.newaxis] >> np.array(samples.columns, dtype=np.uint16)) & 1
    differ = (samples.counters[rows] != samples.counters[others]) & (told == 1)
    return np.asarray((samples.known[rows] == samples.known[others]) & ~differ.any(axis=1))
