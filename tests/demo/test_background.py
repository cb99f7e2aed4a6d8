"""The ordinary day of the exchange. The figures asked of it are the scenario's own; there is no outside source."""

from __future__ import annotations

import numpy as np
import pytest

from service.demo import background
from service.demo.exchange import HOSTS, TEAMS, position_of
from service.demo.plots import END_MS, START_MS
from service.terms import EGRESS

WINDOWS = np.arange(START_MS, END_MS, 30_000, dtype=np.int64)


def a_draw(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


class TestDayCurves:
    def test_stay_between_6_and_35_percent_even_split(self):
        curves = background.day_curves(a_draw(), WINDOWS)

        assert curves.shape == (len(TEAMS), 2, len(WINDOWS))
        assert curves.min() >= 0.06
        assert curves.max() <= 0.35

    def test_rise_by_day_and_fall_by_night(self):
        curves = background.day_curves(a_draw(), WINDOWS)
        hour = (WINDOWS // 3_600_000) % 24

        assert (curves[..., hour == 13].mean(axis=-1) > 1.4 * curves[..., hour == 2].mean(axis=-1)).all()


class TestDepartures:
    def test_have_a_lag_1_correlation_of_095(self):
        noise = background.departures(a_draw(), 3120)

        correlations = [np.corrcoef(row[:-1], row[1:])[0, 1] for row in noise.reshape(-1, 3120)]
        # Standard error of one: sqrt((1 - 0.95^2) / 3120) = 0.0056; of the mean of 128: 0.0005, and a bias of -0.001.
        assert np.mean(correlations) == pytest.approx(0.95, abs=0.004)

    def test_spread_as_stated(self):
        assert background.departures(a_draw(), 3120).std() == pytest.approx(background.DEPARTURE, rel=0.05)


class TestMemberShares:
    def test_lie_between_50_50_and_68_32(self):
        shares = background.member_shares(a_draw())

        assert shares.sum(axis=-1) == pytest.approx(1)
        assert shares.max() <= 0.68

    def test_are_one_split_a_host(self):
        busier = background.member_shares(a_draw()).max(axis=-1)

        for host in HOSTS:
            of_host = busier[[team.device == host for team in TEAMS]]
            assert of_host == pytest.approx(of_host[0, 0])

    def test_do_not_favour_a_position(self):
        first_is_busier = background.member_shares(a_draw())[..., 0] > 0.5

        assert 0.3 < first_is_busier.mean() < 0.7

    def test_give_the_store_of_sm_05_46_to_22(self):
        shares = background.member_shares(a_draw())[position_of("sm-05", "store"), EGRESS]

        assert sorted(shares) == pytest.approx([22 / 68, 46 / 68])


class TestFlutter:
    def test_leaves_the_mean_of_a_window_alone(self):
        factors = background.flutter(a_draw(), (4, 2, 50), 3)

        assert factors.mean(axis=-1) == pytest.approx(1, abs=1e-6)
        assert factors.std() > 0.01
