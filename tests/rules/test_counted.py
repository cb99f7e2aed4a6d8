"""Octets without packets: what they say of the wire lies between full frames and the smallest ones."""

from __future__ import annotations

import numpy as np
import pytest
from examples import EPOCH_MS, SECOND, a_layout
from scenarios.roads import assessed, fact, octets_of, row, series

from service.rules.counted import hot_lines
from service.terms import Counts, Rule

# A speed of which 1518/2048 and 1/2 are whole numbers of octets in a window, so that "just at" is exact.
BPS = 1_024_000_000
FULL = 1518 / 2048  # on the wire 1538/2048 in full frames
FULL_LINE = 1538 / 2048
SMALL_LINE = 0.5 * 84 / 64


def said(found):
    return [(event.kind, event.port, (event.at_ms - EPOCH_MS) // SECOND) for event in found.events]


def held(octets, line, *, windows=1, **facts):
    """A port that counts so many octets a window under such a hot line."""
    rows = [row(30 * window, out_octets=octets * window) for window in range(windows + 1)]
    return assessed(rows, fact(BPS, **facts), windows=windows, rule=Rule(hot_above=line, clear_below=0.6))


class TestUndecided:
    """Of what is on the wire, 1518/1538 is counted in full frames, 64/84 in the smallest (IEEE 802.3, RFC 3635)."""

    @pytest.mark.parametrize(("more", "told"), [(-1, True), (0, True), (1, False)])
    def test_ends_where_full_frames_too_would_be_hot(self, more, told):
        found = held(octets_of(FULL, BPS) + more, FULL_LINE)

        assert said(found) == ([("packets-missing", "m1", 0)] if told else [])

    @pytest.mark.parametrize(("more", "told"), [(-1, False), (0, False), (1, True)])
    def test_begins_where_the_smallest_frames_would_be_hot(self, more, told):
        found = held(octets_of(0.5, BPS) + more, SMALL_LINE)

        assert said(found) == ([("packets-missing", "m1", 0)] if told else [])

    @pytest.mark.parametrize(("more", "told"), [(-1, False), (0, False), (1, True)])
    def test_minds_what_the_source_counts(self, more, told):
        # Without the check sequence 60 of 84 octets of the smallest frame are counted: 0.625 is 0.875 on the wire.
        found = held(octets_of(0.625, BPS) + more, 0.875, counts=Counts.NO_FCS)

        assert said(found) == ([("packets-missing", "m1", 0)] if told else [])

    def test_names_the_remedy(self):
        (event,) = held(octets_of(0.6, BPS), 0.75).events

        assert event.text.endswith("send packet counters")

    def test_is_told_once_while_it_lasts(self):
        assert said(held(octets_of(0.6, BPS), 0.75, windows=300)) == [("packets-missing", "m1", 0)]

    def test_is_told_anew_after_an_hour_without(self):
        shares = [0.6] + [0.1] * 130 + [0.6] * 3 + [0.1] * 60 + [0.6]

        assert said(assessed(series([shares]), windows=len(shares))) == [
            ("packets-missing", "m1", 0),
            ("packets-missing", "m1", 131 * 30),
        ]

    @pytest.mark.parametrize("share", [0.0, 0.05, 0.5])
    def test_is_never_of_idle_and_calm_ports(self, share):
        assert said(assessed(series([[share] * 4]), windows=4)) == []

    def test_is_never_of_ports_that_count_packets(self):
        rows = [row(30 * w, out_octets=octets_of(0.6) * w, out_packets=octets_of(0.6) * w // 1000) for w in range(4)]

        assert said(assessed(rows, windows=3)) == []

    def test_is_never_of_windows_that_are_not_evaluable(self):
        rows = [row(0, out_octets=0), row(20, out_octets=octets_of(0.6, seconds=20))]

        assert said(assessed(rows)) == []

    def test_is_never_of_ports_of_no_team(self):
        layout = a_layout(1)
        layout.members[:] = -1

        assert said(assessed(series([[0.6] * 4]), windows=4, layout=layout)) == []


class TestHotLines:
    def test_are_those_of_the_teams(self):
        lines = hot_lines(a_layout(2, 1), (Rule(hot_above=0.8), Rule()))

        assert lines.tolist() == [0.8, 0.8, 0.75]

    def test_are_unknown_of_ports_of_no_team(self):
        layout = a_layout(1)
        layout.members[:] = -1

        assert np.isnan(hot_lines(layout, (Rule(),))).all()
