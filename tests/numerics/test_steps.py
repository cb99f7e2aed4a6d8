"""Levels and steps: worked by hand; the coefficient of variation against its definition in numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.numerics.steps import steps, variation, wander


def of(*values, least=0.10):
    return [(step.at, round(step.height, 6)) for step in steps(np.array(values, dtype=float), least)]


class TestSteps:
    def test_finds_one_where_a_level_changes_from_one_window_to_the_next(self):
        assert of(0.02, 0.02, 0.987, 0.986, 0.987) == [(2, 0.967)]

    def test_takes_a_window_in_between_for_part_of_the_step(self):
        assert of(0.02, 0.02, 0.5, 0.98, 0.98) == [(3, 0.96)]

    def test_tells_two_steps_apart(self):
        assert of(0.0, 0.0, 0.4, 0.4, 0.8, 0.8) == [(2, 0.4), (4, 0.4)]

    def test_finds_a_fall_as_well(self):
        assert of(0.9, 0.9, 0.1, 0.1) == [(2, -0.8)]

    def test_passes_over_a_window_that_stands_out_alone(self):
        assert of(0.1, 0.1, 0.9, 0.1, 0.1) == []

    def test_passes_over_what_is_unknown(self):
        assert of(0.1, 0.1, np.nan, 0.9, 0.9) == [(3, 0.8)]

    @pytest.mark.parametrize(("height", "found"), [(0.099, 0), (0.10, 1), (0.101, 1)])
    def test_begins_at_the_least_height(self, height, found):
        assert len(of(0.0, 0.0, height, height)) == found

    def test_finds_none_in_nothing_or_in_one_window(self):
        assert of() == of(0.5) == of(np.nan) == []

    @given(st.lists(st.floats(0.5, 0.5999), max_size=40))
    def test_finds_none_in_noise_below_the_least_height(self, values):
        assert of(*values) == []

    @given(st.lists(st.floats(0, 1), max_size=40))
    def test_comes_in_order_and_each_is_at_least_so_high(self, values):
        found = of(*values)

        assert [at for at, _ in found] == sorted({at for at, _ in found})
        assert all(abs(height) >= 0.10 - 1e-6 for _, height in found)


class TestVariation:
    def test_is_deviation_over_mean_of_what_is_known(self):
        values = np.array([0.9, np.nan, 1.1])

        assert variation(values) == pytest.approx(np.std([0.9, 1.1]) / 1.0)

    def test_is_unknown_where_nothing_is_known_or_carried(self):
        assert np.isnan(variation(np.array([np.nan])))
        assert np.isnan(variation(np.zeros(3)))


class TestWander:
    def test_is_the_deviation_from_the_level_that_a_window_is_on(self):
        # Levels 0.21 and 0.81; every window lies 0.01 off one of them.
        assert wander(np.array([0.2, 0.22, 0.2, 0.22, 0.8, 0.82, 0.8, 0.82])) == pytest.approx(0.01)

    def test_takes_no_step_for_a_deviation(self):
        assert wander(np.array([0.1, 0.1, np.nan, 0.5, 0.9, 0.9])) == 0

    def test_is_unknown_where_no_window_is_known(self):
        assert np.isnan(wander(np.array([np.nan, np.nan])))
