import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from verdict_examples import wandering

from service.numerics.autocorrelation import autocorrelation, effective, effective_at, tau, taus

# NIST StRD univariate, NumAcc1 and NumAcc2: certified lag-1 autocorrelations -0.5 and -0.999.
NUM_ACC_1 = np.array([10_000_001.0, 10_000_003.0, 10_000_002.0])
NUM_ACC_2 = np.array([1.2, *[1.1, 1.3] * 500])
# Points above the even split: 12 windows in two plateaus, worked with the formula by hand.
PLATEAUS = np.array([30.0, 31, 30, 32, 31, 30, 18, 17, 18, 19, 18, 17])


class TestAutocorrelation:
    @pytest.mark.parametrize(("values", "certified"), [(NUM_ACC_1, -0.5), (NUM_ACC_2, -0.999)])
    def test_is_that_of_the_certified_sets(self, values, certified):
        assert autocorrelation(values, most=1)[1] == pytest.approx(certified, abs=1e-9)

    def test_of_several_stretches_takes_no_pair_across_a_break(self):
        both = np.tile(PLATEAUS, 2)
        breaks = np.arange(24) == 12
        x = PLATEAUS - PLATEAUS.mean()
        mean_product = (x[:-3] * x[3:]).mean()  # the same in either stretch

        assert autocorrelation(both, breaks)[3] == pytest.approx(mean_product * (24 - 3) / (2 * x @ x))

    def test_of_pairs_further_apart_than_any_stretch_is_unknown(self):
        assert np.isnan(autocorrelation(np.tile(PLATEAUS, 2), np.arange(24) == 12)[12:]).all()

    def test_a_missing_window_forms_no_pair_and_keeps_its_place(self):
        holed = np.array([1.0, np.nan, 3.0, 2.0])
        x = holed - 2.0

        assert autocorrelation(holed, most=2)[2] == pytest.approx((x[0] * x[2]) / 1 * (3 - 2) / 2.0)

    def test_of_what_never_varies_is_unknown(self):
        assert np.isnan(autocorrelation(np.full(9, 0.4))).all()


class TestTau:
    def test_of_two_plateaus_leaves_3_4_of_12_windows(self):
        assert effective(12, tau(PLATEAUS)) == pytest.approx(3.39, abs=0.005)

    @pytest.mark.parametrize(("rho", "expected"), [(0.5, 3), (0.6, 4), (0.9, 19)])
    def test_of_a_first_order_autoregression_is_one_plus_rho_over_one_less_rho(self, rho, expected):
        # Textbook, from memory: the variance of a mean is inflated by (1 + rho) / (1 - rho).
        found = taus(wandering(50, 20_000, rho, 1.0, np.random.default_rng(3)))

        assert found.mean() == pytest.approx(expected, rel=0.08)

    def test_of_independent_values_is_about_1(self):
        assert taus(np.random.default_rng(3).standard_normal((50, 5000))).mean() == pytest.approx(1.05, abs=0.1)

    def test_of_what_never_varies_is_1(self):
        assert tau(np.full(50, 0.485)) == 1.0
        assert tau(np.array([0.1 + 0.2, 0.3] * 20)) == 1.0  # the same but for rounding

    def test_cannot_be_told_where_stretches_end_before_the_correlation(self):
        assert tau(np.repeat([1.0, 2.0, 3.0, 4.0], 3), np.arange(12) % 3 == 0) == 12.0

    def test_is_unknown_without_a_window(self):
        assert np.isnan(tau(np.array([np.nan, np.nan])))

    @given(st.lists(st.floats(-1, 1), min_size=2, max_size=60))
    @settings(deadline=None, max_examples=60)
    def test_lies_between_1_and_as_many_as_there_are(self, values):
        assert 1.0 <= tau(np.array(values)) <= max(1.0, len(values))

    def test_of_many_series_is_that_of_each(self):
        many = wandering(6, 300, 0.8, 1.0, np.random.default_rng(5))
        breaks = np.arange(300) % 100 == 0

        assert taus(many, breaks).tolist() == [tau(one, breaks) for one in many]


class TestEffectiveAt:
    def test_2880_windows_with_098_are_29(self):
        assert effective_at(2880, 0.98) == pytest.approx(29.09, abs=0.005)

    def test_eight_take_792_windows_with_098(self):
        assert effective_at(792, 0.98) == pytest.approx(8.0)
