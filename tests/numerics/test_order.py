import random
from itertools import permutations

import numpy as np
import pytest
from examples import facts_of, samples_of
from hypothesis import given, settings
from hypothesis import strategies as st

from service.numerics.intervals import intervals
from service.numerics.order import in_order
from service.numerics.windows import member_windows
from service.terms import EGRESS, Span


def counted(*points):
    return [{"at": at, "out_octets": octets} for at, octets in points]


def utilisations(rows, count=2):
    ordered = in_order(samples_of(rows))
    return member_windows(intervals(ordered.samples, facts_of()), facts_of(), 1, Span(0, count)).utilisation[
        0, :, EGRESS
    ]


class TestInOrder:
    def test_counts_a_replayed_batch_and_changes_nothing(self):
        # Each window 77.33 %, three samples twice.
        half, whole = (30, 2_900_000_000), (60, 5_800_000_000)
        rows = counted((0, 0), half, half, whole, half, whole)
        ordered = in_order(samples_of(rows))

        assert (len(ordered.samples), ordered.duplicates, len(ordered.conflicts)) == (3, 3, 0)
        assert utilisations(rows).tolist() == pytest.approx([0.7733, 0.7733], abs=5e-5)

    def test_keeps_the_first_of_conflicting_samples(self):
        ordered = in_order(samples_of(counted((0, 0), (30, 5), (30, 6), (30, 5))))

        assert ordered.samples.counters[:, 0].tolist() == [0, 5]
        assert ordered.conflicts.tolist() == [2]
        assert ordered.duplicates == 1

    def test_takes_another_set_of_counters_for_a_conflict(self):
        ordered = in_order(samples_of([{"at": 0, "out_octets": 0}, {"at": 0, "out_octets": 0, "in_octets": 0}]))

        assert ordered.conflicts.tolist() == [1]

    @pytest.mark.parametrize(
        "arrival",
        list(permutations([(20, 1_900_000_000), (30, 2_850_000_000), (40, 2_900_000_000), (60, 3_400_000_000)])),
    )
    def test_makes_the_arrival_no_matter(self, arrival):
        assert utilisations(counted((0, 0), *arrival)).tolist() == pytest.approx([0.76, 0.1467], abs=5e-5)

    def test_moves_a_window_over_the_line_when_the_late_sample_comes(self):
        early = counted((0, 0), (20, 1_900_000_000), (40, 2_900_000_000), (60, 3_400_000_000))

        assert utilisations(early).tolist() == pytest.approx([0.64, 0.2667], abs=5e-5)

    @settings(max_examples=40, deadline=None)
    @given(
        st.lists(st.tuples(st.integers(0, 2), st.integers(0, 9), st.integers(0, 1)), max_size=30),
        st.integers(0, 1000),
    )
    def test_is_what_sorting_by_hand_is(self, rows, seed):
        random.Random(seed).shuffle(rows)
        ordered = in_order(samples_of([{"port": p, "at": at, "out_octets": octets} for p, at, octets in rows]))
        first = {}
        for port, at, octets in rows:
            first.setdefault((port, at), octets)

        assert [
            (int(port), int(at) // 1000, int(octets))
            for port, at, octets in zip(
                ordered.samples.port, ordered.samples.at_ms, ordered.samples.counters[:, 0], strict=True
            )
        ] == [(port, at, octets) for (port, at), octets in sorted(first.items())]
        assert len(ordered.samples) + ordered.duplicates + len(ordered.conflicts) == len(rows)
        assert np.array_equal(samples_of([{"at": 0}] * len(rows)).port[ordered.rows], ordered.samples.port * 0)
