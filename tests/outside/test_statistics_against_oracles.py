"""Autocorrelation, effective sizes and intervals against statsmodels and scipy, and against published series."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.datasets import nile
from statsmodels.tsa.stattools import acf
from verdict_examples import apart, wandering

from service.numerics.autocorrelation import autocorrelation, tau
from service.numerics.bootstrap import means_of_blocks
from service.rules.verdicts.comparing import verdict
from service.rules.verdicts.fleet import sign_test
from service.terms import Outcome


def a_series(seed, rho=0.7, windows=400):
    return wandering(1, windows, rho, 0.02, np.random.default_rng(seed))[0]


class TestAutocorrelation:
    @pytest.mark.parametrize("seed", range(5))
    def test_is_that_of_statsmodels(self, seed):
        values = a_series(seed)

        assert autocorrelation(values, most=100) == pytest.approx(acf(values, nlags=100, fft=False), abs=1e-12)

    def test_of_the_nile_is_as_published(self):
        # Flow of the Nile 1871-1970 (Cobb 1978): r1 to r3, from statsmodels' copy of the series.
        flow = np.asarray(nile.load_pandas().data["volume"], dtype=np.float64)

        assert autocorrelation(flow, most=3)[1:] == pytest.approx([0.4984, 0.3846, 0.3279], abs=5e-5)

    def test_tau_is_the_sum_over_statsmodels_up_to_the_first_pair_that_is_not_positive(self):
        values = a_series(11)
        r, n = acf(values, nlags=399, fft=False), 400
        pairs = [(k, r[k] + r[k + 1]) for k in range(1, 398, 2)]
        end = next(k for k, pair in pairs if pair <= 0)

        assert tau(values) == pytest.approx(1 + 2 * sum((1 - k / n) * r[k] for k in range(1, end)))


class TestInterval:
    def test_of_windows_worth_themselves_is_welchs(self):
        # Alternating values have no positive correlation, so that tau is 1 and the interval scipy's own.
        rng = np.random.default_rng(7)
        before = 0.30 + 0.02 * np.tile([1, -1], 100) + 0.001 * rng.standard_normal(200)
        after = 0.10 + 0.01 * np.tile([1, -1], 60) + 0.001 * rng.standard_normal(120)

        found = verdict(apart(before), apart(after))

        expected = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
        assert (found.before.tau, found.after.tau) == (1.0, 1.0)
        assert (found.low, found.high) == pytest.approx((expected.low, expected.high), abs=1e-12)

    def test_of_windows_that_resemble_each_other_is_welchs_of_the_effective_sizes(self):
        before, after = 0.30 + a_series(1), 0.15 + a_series(2, windows=300)

        found = verdict(apart(before), apart(after))

        sizes = [len(side) / tau(side) for side in (before, after)]
        errors = [side.var(ddof=1) / size for side, size in zip((before, after), sizes, strict=True)]
        freedom = sum(errors) ** 2 / sum(e**2 / (n - 1) for e, n in zip(errors, sizes, strict=True))
        half = stats.t.ppf(0.975, freedom) * np.sqrt(sum(errors))
        middle = after.mean() - before.mean()
        assert (found.low, found.high) == pytest.approx((middle - half, middle + half))
        assert found.outcome is Outcome.EVENED_OUT

    def test_of_blocks_of_one_is_about_scipys_bootstrap(self):
        values = a_series(5, rho=0.0)

        drawn = means_of_blocks(values, np.ones(400), 1, np.random.default_rng(1), 4000)

        expected = stats.bootstrap((values,), np.mean, n_resamples=4000, method="percentile", rng=1)
        interval = expected.confidence_interval
        assert np.percentile(drawn, [2.5, 97.5]) == pytest.approx((interval.low, interval.high), abs=3e-4)


class TestSignTest:
    @pytest.mark.parametrize(("better", "told"), [(9, 10), (8, 10), (20, 40), (27, 40), (0, 5), (5, 5)])
    def test_is_scipys_one_sided_binomial_test(self, better, told):
        expected = stats.binomtest(better, told, 0.5, alternative="greater").pvalue

        assert sign_test(better, told) == pytest.approx(expected)
