"""Any figure can be worked out again by hand from what is shown."""

from __future__ import annotations

import numpy as np
import pytest
from examples import EPOCH_MS, GIGABIT, SECOND, a_layout, facts_of, samples_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scenarios.roads import assessed, fact, row

from service.rules.working import Source, speed_source, working
from service.terms import EGRESS, Facts


def shown(found, *facts: Facts, port=0, window=0, direction=EGRESS, before=None):
    table = facts_of(*(facts or (fact(),)))
    source = Source(found.samples, before, found.intervals, table, a_layout(2), found.members)
    return working(source, port, window, direction)


class TestWorking:
    def test_shows_readings_wraps_and_seconds(self):
        # A 32-bit counter that went round once: 2,646,907,704 + 2^32 - 4,000,000,000 = 2,941,875,000 octets.
        narrow = fact(counter_bits=32)
        found = assessed([row(0, out_octets=4_000_000_000), row(30, out_octets=2_646_907_704)], narrow)

        told = shown(found, narrow)

        (part,) = told.parts
        assert (part.reading_before, part.reading_after, part.wraps) == (4_000_000_000, 2_646_907_704, 1)
        assert (part.octets, part.overlap_ms, part.status) == (2_941_875_000, 30_000, "ok")
        assert (told.speed_bps, told.speed_source, told.basis) == (GIGABIT, "told with the samples", "counted")
        assert told.by_hand() == pytest.approx(0.7845, abs=1e-6)

    def test_adds_what_a_frame_takes_on_the_wire(self):
        # 37.5 million frames of 64 octets: 20 more each on the wire (IEEE 802.3), 84 % of 1 G in 30 s.
        rows = [row(0, out_octets=0, out_packets=0), row(30, out_octets=2_400_000_000, out_packets=37_500_000)]

        told = shown(assessed(rows))

        assert (told.basis, told.added_per_frame) == ("wire", 20)
        assert told.by_hand() == pytest.approx(0.84)

    def test_shows_what_was_refused_and_why(self):
        rows = [row(0, out_octets=10**12, uptime=9000), row(30, out_octets=5, uptime=10)]

        told = shown(assessed(rows))

        assert [part.status for part in told.parts] == ["restart"]
        assert (told.utilisation, told.by_hand(), told.covered_ms) == (None, None, 0)
        assert told.why_not == "no data"

    def test_names_the_operator_as_the_source_of_a_speed(self):
        set_bps = np.array([GIGABIT, 0])
        rows = [row(t, port, out_octets=2_941_875_000 * t // 30) for port in (0, 1) for t in (0, 30)]
        found = assessed(rows, fact(10 * GIGABIT), speeds=set_bps)
        source = Source(found.samples, None, found.intervals, found.facts, a_layout(2), found.members, set_bps)

        m1, m2 = (working(source, port, 0, EGRESS) for port in (0, 1))

        assert (m1.speed_bps, m1.speed_source) == (GIGABIT, "set by the operator")
        assert m1.by_hand() == pytest.approx(0.7845, abs=1e-6)
        assert (m2.speed_bps, m2.speed_source) == (10 * GIGABIT, "told with the samples")

    def test_names_the_window(self):
        told = shown(assessed([row(0, out_octets=0), row(30, out_octets=1)]))

        assert (told.device, told.port, told.direction) == ("sm-07", "m1", "egress")
        assert (told.start_ms, told.end_ms) == (EPOCH_MS, EPOCH_MS + 30 * SECOND)

    def test_takes_the_reading_carried_from_before(self):
        before = samples_of([row(0, out_octets=1000)])
        found = assessed([row(30, out_octets=5000)], before=before)

        (part,) = shown(found, before=before).parts

        assert (part.reading_before, part.reading_after, part.octets) == (1000, 5000, 4000)

    times = st.lists(st.integers(1, 119), min_size=3, max_size=12, unique=True).map(sorted)

    @settings(deadline=None)
    @given(times, st.lists(st.integers(0, 100_000_000), min_size=12, max_size=12), st.integers(0, 3))
    def test_comes_to_the_same_by_hand(self, times, octets, window):
        counts = [sum(octets[: n + 1]) for n in range(len(times))]
        rows = [row(t, out_octets=c, out_packets=c // 900) for t, c in zip(times, counts, strict=True)]

        told = shown(assessed(rows, windows=4), window=window)

        if told.utilisation is not None:
            assert told.by_hand() == pytest.approx(told.utilisation, abs=1e-9)
            assert told.lower <= told.utilisation + 1e-6
            assert told.upper >= told.utilisation - 1e-6


class TestSpeedSource:
    @pytest.mark.parametrize(
        ("told", "said"),
        [
            ((GIGABIT, GIGABIT, "sw-s1 g1"), "set by the operator"),
            ((GIGABIT, 0, "sw-s1 g1"), "told by the far end of its cable, sw-s1 g1"),
            ((GIGABIT,), "told with the samples"),
            ((0,), "unknown"),
        ],
    )
    def test_is_whoever_is_believed_first(self, told, said):
        assert speed_source(*told) == said
