import math

import pytest
from scipy import stats

from service.rules.weekly.trend import trend

WEEKS = [40, 41, 43, 44, 46, 47]


class TestTrend:
    def test_rises_1_46_points_a_week_and_crosses_70_in_about_16(self):
        told = trend(WEEKS, 70)

        # By hand: 25.5 / 17.5 = 1.457; (70 - 47) / 1.457 = 15.8.
        assert told.slope == pytest.approx(1.457, abs=0.001)
        assert round(told.weeks) == 16
        assert told.points == 6
        assert told.weak

    def test_has_the_range_of_a_reference_library(self):
        told = trend(WEEKS, 70)
        line = stats.linregress(range(6), WEEKS)  # scipy.stats.linregress
        reach = stats.t.ppf(0.975, 4) * line.stderr

        assert (told.low, told.high) == pytest.approx((line.slope - reach, line.slope + reach))
        assert told.soonest < told.weeks < told.latest

    def test_cannot_tell_where_the_range_reaches_both_ways(self):
        told = trend([40, 44, 39, 45, 40, 43], 70)

        assert not told.told
        assert told.latest == math.inf

    def test_keeps_the_place_of_a_week_that_nobody_saw(self):
        assert trend([40, math.nan, 42, 43], 70).slope == pytest.approx(1.0)

    def test_is_none_with_two_weeks(self):
        assert trend([40, 41], 70) is None

    def test_has_crossed_already_at_the_line(self):
        assert trend([68, 69, 70], 70).weeks == 0
