import numpy as np
import pytest

from service.errors import WrongQuestion
from service.numerics.rollup import percentile, rolled_up
from service.terms import Span

NAN = float("nan")


class TestRolledUp:
    def test_keeps_the_peak_and_the_time_above_the_line(self):
        u = np.array([0.98] * 4 + [0.06] * 6)
        found = rolled_up(u, np.ones(10), Span(0, 10))

        assert found.mean[0] == pytest.approx(0.428)
        assert (found.peak[0], found.hot_seconds[0], found.coverage[0]) == (0.98, 120, 1)

    def test_counts_windows_strictly_above(self):
        assert rolled_up(np.array([0.75] * 10), np.ones(10), Span(0, 10)).hot_seconds[0] == 0

    def test_leaves_unknown_windows_out_of_the_mean_and_in_the_coverage(self):
        found = rolled_up(np.array([0.5] * 5 + [NAN] * 5), np.array([1.0] * 5 + [0.2] * 5), Span(0, 10))

        assert found.mean[0] == pytest.approx(0.5)
        assert found.coverage[0] == pytest.approx(0.6)

    def test_knows_nothing_of_a_slot_without_values(self):
        found = rolled_up(np.full(10, NAN), np.zeros(10), Span(0, 10))

        assert np.isnan([found.mean[0], found.peak[0], found.hot_seconds[0]]).all()
        assert found.coverage[0] == 0

    def test_aligns_slots_to_the_epoch(self):
        found = rolled_up(np.full((3, 2, 12), 0.5), np.ones((3, 2, 12)), Span(270_000, 12))

        assert found.start_ms.tolist() == [0, 300_000, 600_000]
        assert found.coverage[0, 0].tolist() == pytest.approx([0.1, 1.0, 0.1])


class TestPercentile:
    def test_is_a_value_that_was_there(self):
        assert percentile(np.arange(1, 2881, dtype=float), 95) == 2736

    def test_leaves_unknown_windows_out(self):
        assert percentile(np.array([NAN, 3.0, 1.0]), 50) == 1.0
        assert np.isnan(percentile(np.array([NAN]), 95))

    @pytest.mark.parametrize("percent", [0, 101])
    def test_refuses_what_is_no_percentage(self, percent):
        with pytest.raises(WrongQuestion):
            percentile(np.array([1.0]), percent)
