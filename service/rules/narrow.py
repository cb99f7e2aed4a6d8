"""Counters of 32 bits and how soon they wrap: what a poll may miss, and how often to poll."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.rules import words
from service.terms import DataEvent, FactsTable, Form, Intervals, Layout, Status, Truths

KINDS = ("ambiguous", "wraps-soon")


def wraps_soon(intervals: Intervals, facts: FactsTable) -> Truths:
    """Intervals with a value from 32 bits that are longer than four fifths of the time in which these wrap, (n,).

    Source
    ------
    RFC 2863 section 3.1.6 for how fast octet counters wrap; the four fifths are this project's rule.
    """
    narrow = (facts.counter_bits == 32) & (facts.form == Form.COUNTER)
    if not narrow.any():
        return np.zeros(len(intervals.port), dtype=np.bool_)
    seconds = (intervals.end_ms - intervals.start_ms) / 1000
    carried = seconds * facts.speed_bps[intervals.facts]
    valued = (intervals.status == Status.OK).any(axis=1)
    return np.asarray(narrow[intervals.facts] & (carried > words.POLLED_WITHIN * words.ROUND_BITS) & valued)


def with_wrap_times(
    events: list[DataEvent], intervals: Intervals, facts: FactsTable, layout: Layout
) -> list[DataEvent]:
    """The same events, those about narrow counters with how often these wrap at the port's speed."""
    if not any(event.kind in KINDS for event in events):
        return events
    rows = np.flatnonzero((intervals.status == Status.AMBIGUOUS).any(axis=1) | wraps_soon(intervals, facts))
    speeds = facts.speed_bps[intervals.facts[rows]].tolist()
    told = {
        (layout.ports[port].device, layout.ports[port].port): words.wrapping(bps)
        for port, bps in zip(intervals.port[rows].tolist(), speeds, strict=True)
        if bps > 0
    }
    return [
        replace(event, text=f"{event.text} ({told[where]})")
        if event.kind in KINDS and (where := (event.device, event.port)) in told
        else event
        for event in events
    ]
