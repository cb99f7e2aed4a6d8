"""From samples to intervals: what each port carried between two readings, or why nobody knows."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from service.numerics.interval_loop import (
    AMBIGUOUS,
    ROUND_32,
    Ends,
    Readings,
    Told,
    counts_between,
    find_earlier,
    octets_between,
    packets_to_frames,
    whole_intervals,
)
from service.terms import (
    BCAST,
    COUNTERS,
    DISCARDS,
    ERRORS,
    MCAST,
    PACKETS,
    UNKNOWN,
    FactsTable,
    Intervals,
    Ints,
    Samples,
)

Kind = TypeVar("Kind", bound=np.generic)

MOST_CANDIDATES = 8  # rates listed for one ambiguous interval
MOST_LISTED = (
    10_000  # ambiguous intervals of one run whose candidates are listed: enough to see why, bounded for a fleet
)
COARSE_AFTER_WINDOWS = 2  # an interval longer than this may not feed a window


def intervals(
    samples: Samples,
    facts: FactsTable,
    before: Samples | None = None,
    *,
    shift_ms: Ints | None = None,
    window_ms: int = 30_000,
) -> Intervals:
    """What became of each sample: the interval that ends there, with its octets or the reason for having none.

    Parameters
    ----------
    samples : Samples
        Sorted by port and time, without repeats of one instant.
    before : Samples, optional
        At most one row a port: the last sample already seen. Pieces with what was carried
        between them give what all samples at once would.
    shift_ms : int64, shape (n,), optional
        What to add to a sample's time to place it on the collector's clock.
    window_ms : int
        Intervals longer than two windows are coarse: good for volume, not for windows.

    Returns
    -------
    Intervals
        One row a sample, octets whole numbers, UNKNOWN where there is no value.

    Source
    ------
    Counter width, wraps, discontinuity and sysUpTime: RFC 2863 sections 3.1.5 and 3.1.6, RFC 2578
    section 7.1; octets counted: RFC 3635 section 3.2.5.
    """
    return into(room_for(samples, facts), samples, facts, before, shift_ms, window_ms)


def into(  # noqa: PLR0917  # `intervals`, with its arrays given
    ends: Ends, samples: Samples, facts: FactsTable, before: Samples | None, shift_ms: Ints | None, window_ms: int
) -> Intervals:
    """The intervals of `intervals`, in arrays that are there already: rows as many as there are samples."""
    now, then = _readings(samples, shift_ms), _readings(carried(before, samples), None)
    told, places, longest_ms = _told(facts), _places(samples.columns), COARSE_AFTER_WINDOWS * window_ms
    find_earlier(now.port, now.at_ms, then.port, then.at_ms, ends.earlier)
    whole_intervals(now, then, told, longest_ms, ends)
    ambiguous = octets_between(now, then, told, places, longest_ms, ends)

    def counts(measure: int) -> Ints:
        if 2 * measure not in samples.columns and 2 * measure + 1 not in samples.columns:
            # One UNKNOWN shown everywhere, a view that takes no memory: a history of octets stays lean.
            return np.broadcast_to(np.int64(UNKNOWN), (len(samples), 2))
        found = np.empty((len(samples), 2), dtype=np.int64)
        counts_between(now, then, told, places, measure, ends, found)
        return found

    frames = counts(PACKETS)
    if frames.strides != (0, 0):
        packets_to_frames(now.facts, told.counts, told.mtu, ends.octets, frames, ends.flags)
    return Intervals(
        port=now.port,
        start_ms=ends.start_ms,
        end_ms=ends.end_ms,
        facts=now.facts,
        facts_before=ends.facts_before,
        octets=ends.octets,
        frames=frames,
        mcast=counts(MCAST),
        bcast=counts(BCAST),
        discards=counts(DISCARDS),
        errors=counts(ERRORS),
        status=ends.status,
        flags=ends.flags,
        candidates_bps=_candidates(now, then, places, ends) if ambiguous else {},
        changed_ms=ends.changed_ms if len(ends.changed_ms) else None,
    )


def _readings(samples: Samples, shift_ms: Ints | None) -> Readings:
    """The columns in the one form that the loop is compiled for."""
    return Readings(
        port=plain(samples.port, np.int32),
        at_ms=plain(samples.at_ms, np.int64),
        facts=plain(samples.facts, np.int32),
        known=plain(samples.known, np.uint16),
        counters=plain(samples.counters, np.uint64),
        received_ms=plain(samples.received_ms, np.int64),
        uptime=plain(samples.uptime_ticks, np.int64),
        discontinuity=plain(samples.discontinuity_ticks, np.int64),
        shift_ms=plain(shift_ms if shift_ms is not None else np.empty(0), np.int64),
    )


def plain(column: npt.NDArray[Any], kind: type[Kind]) -> npt.NDArray[Kind]:
    """The column as loops take it: for read-only or strided ones each loop would be compiled again, for seconds."""
    return np.require(column, dtype=kind, requirements=["C", "W"])


def _told(facts: FactsTable) -> Told:
    return Told(
        speed_bps=plain(facts.speed_bps, np.int64),
        counter_bits=plain(facts.counter_bits, np.uint8),
        counts=plain(facts.counts, np.uint8),
        form=plain(facts.form, np.uint8),
        mac=plain(facts.mac, np.int64),
        mtu=plain(facts.mtu, np.int32),
        last_change=plain(facts.last_change_ticks, np.int64),
    )


def carried(before: Samples | None, samples: Samples) -> Samples:
    """What was carried from before the samples, if anything: sorted by port, with the same counter columns."""
    return _aligned(_by_port(before if before is not None else samples.take(slice(0, 0))), samples.columns)


def _by_port(samples: Samples) -> Samples:
    if len(samples) < 2 or bool(np.all(samples.port[1:] > samples.port[:-1])):
        return samples
    return samples.take(np.argsort(samples.port, kind="stable"))


def _aligned(samples: Samples, columns: tuple[int, ...]) -> Samples:
    """The same samples with the given counter columns; a column they lack is not known."""
    if samples.columns == columns:
        return samples
    counters = np.zeros((len(samples), len(columns)), dtype=np.uint64)
    known = samples.known.copy()
    for place, column in enumerate(columns):
        if column in samples.columns:
            counters[:, place] = samples.counters[:, samples.columns.index(column)]
        else:
            known &= np.uint16(0xFFFF ^ (1 << column))
    return Samples(
        samples.port,
        samples.at_ms,
        samples.facts,
        known,
        counters,
        samples.received_ms,
        samples.uptime_ticks,
        samples.discontinuity_ticks,
        columns,
    )


def _places(columns: tuple[int, ...]) -> Ints:
    """In which column of the counters each of COUNTERS stands, UNKNOWN for none, shape (12,)."""
    places = np.full(len(COUNTERS), UNKNOWN, dtype=np.int64)
    places[list(columns)] = np.arange(len(columns))
    return places


def room_for(samples: Samples, facts: FactsTable) -> Ends:
    """Unwritten arrays for the results."""
    rows = len(samples)
    tells_changes = len(samples.uptime_ticks) > 0 and bool(np.any(facts.last_change_ticks > 0))
    return Ends(
        earlier=np.empty(rows, dtype=np.int64),
        start_ms=np.empty(rows, dtype=np.int64),
        end_ms=np.empty(rows, dtype=np.int64),
        facts_before=np.empty(rows, dtype=np.int32),
        octets=np.empty((rows, 2), dtype=np.int64),
        status=np.empty((rows, 2), dtype=np.uint8),
        flags=np.empty((rows, 2), dtype=np.uint16),
        most=np.empty(rows, dtype=np.float64),
        changed_ms=np.empty(rows if tells_changes else 0, dtype=np.int64),
    )


def _candidates(now: Readings, then: Readings, places: Ints, ends: Ends) -> dict[tuple[int, int], tuple[int, ...]]:
    """The rates in bit/s that an ambiguous interval may have had, lowest first, for the first MOST_LISTED of them."""
    rows, directions = np.nonzero(ends.status == AMBIGUOUS)
    found = {}
    for row, direction in zip(rows[:MOST_LISTED].tolist(), directions[:MOST_LISTED].tolist(), strict=True):
        place = int(ends.earlier[row])
        earlier, at = (now, place) if place >= 0 else (then, -2 - place)
        column, took_ms = places[direction], int(ends.end_ms[row] - ends.start_ms[row])
        octets = (int(now.counters[row, column]) - int(earlier.counters[at, column])) % ROUND_32
        most = float(ends.most[row])
        readings = (octets + wraps * ROUND_32 for wraps in range(MOST_CANDIDATES))
        found[row, direction] = tuple(round(8000 * r / took_ms) for r in readings if most < 0 or r <= most)
    return found
