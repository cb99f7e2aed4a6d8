import numpy as np
import pytest
from verdict_examples import wandering

from service.numerics.bootstrap import difference, means_of_blocks


def a_side(seed, level=0.0, windows=400, block=20, rho=0.0):
    values = level + wandering(1, windows, rho, 1.0, np.random.default_rng(seed))[0]
    return values, np.ones(windows), block


class TestMeansOfBlocks:
    def test_of_blocks_as_long_as_the_series_are_its_mean(self):
        values = np.arange(10.0)

        drawn = means_of_blocks(values, np.ones(10), 10, np.random.default_rng(1), 50)

        assert drawn == pytest.approx(np.full(50, 4.5))

    def test_draw_whole_blocks_round_the_end(self):
        drawn = means_of_blocks(np.array([0.0, 1.0, 2.0, 3.0]), np.ones(4), 4, np.random.default_rng(1), 9)

        assert set(drawn) == {1.5}

    def test_leave_out_what_weighs_nothing(self):
        values = np.array([1.0, 99.0, 1.0, 99.0])

        drawn = means_of_blocks(values, np.array([1.0, 0, 1, 0]), 2, np.random.default_rng(1), 20)

        assert set(drawn) == {1.0}

    def test_scatter_as_means_of_independent_values_do(self):
        values, weights, _ = a_side(2, windows=2000)

        drawn = means_of_blocks(values, weights, 1, np.random.default_rng(1), 2000)

        assert drawn.std() == pytest.approx(values.std() / np.sqrt(2000), rel=0.05)


class TestDifference:
    def test_is_the_same_for_the_same_seed(self):
        assert difference(a_side(1), a_side(2, 1.0)) == difference(a_side(1), a_side(2, 1.0))

    def test_is_another_for_another_seed(self):
        assert difference(a_side(1), a_side(2)) != difference(a_side(1), a_side(2), seed=2)

    def test_holds_the_difference_of_means(self):
        before, after = a_side(1), a_side(2, 1.0)

        found = difference(before, after)

        assert found.low < after[0].mean() - before[0].mean() < found.high

    def test_is_wider_where_windows_resemble_each_other(self):
        alike = difference(a_side(1, rho=0.95, block=120), a_side(2, rho=0.95, block=120))
        apart = difference(a_side(1, block=120), a_side(2, block=120))

        assert alike.high - alike.low > 2 * (apart.high - apart.low)

    def test_says_nothing_where_nothing_weighs_anything(self):
        empty = (np.zeros(9), np.zeros(9), 3)

        assert difference(empty, empty) is None
