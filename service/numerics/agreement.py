"""Whether two readings of the same traffic agree: a team's members and its interface, or two ends of a cable."""

from __future__ import annotations

import numpy as np

from service.numerics.window_loop import WIRE_EXTRA_FRAME, frame_extras
from service.terms import UNKNOWN, Counts, FactsTable, Floats, Intervals, Status

LIMIT = 0.02  # readings taken some seconds apart differ by less, as long as they are of the same traffic
LEAST_COVERAGE = 0.9


def mean_rates(told: Intervals, facts: FactsTable, n_ports: int, from_ms: int, to_ms: int) -> Floats:
    """The mean rate of each port over [from_ms, to_ms), in bit/s of whole frames, shape (n_ports, 2).

    An interval that reaches over an edge counts by its share within. NaN where intervals with a
    value cover less than nine tenths of the time, or where octets leave out the check sequence
    and nobody told how many frames there were.

    Source
    ------
    What octets include: RFC 3635 section 3.2.5.
    """
    length_ms = told.end_ms - told.start_ms
    overlap_ms = np.minimum(told.end_ms, to_ms) - np.maximum(told.start_ms, from_ms)
    used = (overlap_ms > 0)[:, np.newaxis] & (told.status == Status.OK) & (told.octets != UNKNOWN)
    share = (np.maximum(overlap_ms, 0) / np.maximum(length_ms, 1))[:, np.newaxis]
    octets = np.where(used, _whole_frames(told, facts) * share, 0.0)
    covered_ms = np.where(used, overlap_ms[:, np.newaxis], 0)
    sums, covers = np.zeros((n_ports, 2)), np.zeros((n_ports, 2))
    np.add.at(sums, told.port, octets)
    np.add.at(covers, told.port, covered_ms)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(covers >= LEAST_COVERAGE * (to_ms - from_ms), 8000 * sums / covers, np.nan)


def difference(here_bps: Floats | np.float64, there_bps: Floats | np.float64) -> Floats:
    """By how much two rates differ, as a share of the larger; of one shape, NaN where one is not known.

    Examples
    --------
    900 and 100 Mbit/s against 1,003 of the interface of both, and 902 sent against 899 received (arithmetic):

    >>> [round(100 * float(one), 2) for one in difference(np.array([1000e6, 902e6]), np.array([1003e6, 899e6]))]
    [0.3, 0.33]
    """
    larger = np.maximum(here_bps, there_bps)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(larger == 0, 0.0, np.abs(here_bps - there_bps) / larger)


def _whole_frames(told: Intervals, facts: FactsTable) -> Floats:
    """Octets with what the source leaves out of each frame, shape (n, 2)."""
    left_out = (frame_extras(facts.counts) - WIRE_EXTRA_FRAME)[told.facts][:, np.newaxis]
    octets = told.octets + left_out * np.where(told.frames == UNKNOWN, np.nan, told.frames)
    whole = (facts.counts == Counts.FRAME)[told.facts][:, np.newaxis]
    return np.where(whole, told.octets.astype(np.float64), octets)
