"""What octets counted without packets leave open: whether the wire was above the hot line."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from service.numerics.window_loop import frame_extras
from service.terms import (
    UNKNOWN,
    Basis,
    Counts,
    FactsTable,
    Floats,
    Intervals,
    Ints,
    Layout,
    MemberWindows,
    Rule,
    WhyNot,
)

# Octets on the wire of a full and of the smallest frame, with preamble, delimiter and gap (IEEE 802.3).
FULL_ON_WIRE, SMALLEST_ON_WIRE = 1538, 84


def undecided(members: MemberWindows, intervals: Intervals, facts: FactsTable, hot_above: Floats) -> tuple[Ints, Ints]:
    """Ports and starts of windows whose figure may lie on either side of the hot line, depending on their frames.

    Parameters
    ----------
    hot_above : float, shape (n_ports,)
        The hot line of each port, NaN where it has none.

    Returns
    -------
    ports, starts : int64, shape (n,)
        Windows in which a port is eligible and counts octets but no packets, and where the line is
        not below what full frames would make of them, yet below what the smallest frames would.

    Source
    ------
    1,518 of 1,538 octets of a full frame are counted, 64 of 84 of the smallest one: RFC 3635, IEEE 802.3.
    """
    counted = (members.basis == Basis.COUNTED) & (members.why_not == WhyNot.ELIGIBLE)
    some = np.flatnonzero(counted.any(axis=(1, 2)))
    value = np.where(counted[some], members.utilisation[some], np.nan)
    line = hot_above[some, np.newaxis, np.newaxis]
    added = _added(intervals, facts, len(hot_above))[some, np.newaxis, np.newaxis]
    least = value * FULL_ON_WIRE / (FULL_ON_WIRE - added)
    most = value * SMALLEST_ON_WIRE / (SMALLEST_ON_WIRE - added)
    row, window = np.nonzero(((least <= line) & (line < most)).any(axis=2))
    return some[row].astype(np.int64), members.span.first_ms + window.astype(np.int64) * members.span.width_ms


def hot_lines(layout: Layout, rules: Sequence[Rule]) -> Floats:
    """The hot line of each port by the rule of its team, NaN for a port of no team, shape (n_ports,)."""
    lines = np.full(len(layout.ports), np.nan)
    there = layout.members != UNKNOWN
    of_team = np.array([rule.hot_above for rule in rules], dtype=np.float64)
    lines[layout.members[there]] = np.broadcast_to(of_team[:, np.newaxis], there.shape)[there]
    return lines


def _added(intervals: Intervals, facts: FactsTable, n_ports: int) -> Ints:
    """Octets that each frame has on the wire besides those that the source of a port counts, shape (n_ports,)."""
    added = np.full(n_ports, frame_extras(np.array([Counts.FRAME], dtype=np.uint8))[0], dtype=np.int64)
    added[intervals.port] = frame_extras(facts.counts)[intervals.facts]
    return added
