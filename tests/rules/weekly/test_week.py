import math

import pytest
from weekly_examples import TO_MS, a_day, a_week, days, named, stranded

from service.rules.weekly.week import DAY_MS, FOLLOWED, fullest, report


class TestReport:
    def test_ranks_what_lay_stranded_by_capacity_times_time(self):
        """By hand: 5.71 times 6 is 34.26, 0.6 times 40 is 24; the idle team strands nothing."""
        told = [(line.side.team_id, round(line.gbit_hours, 2), line.hours) for line in a_week().stranded]

        assert told == [(1, 34.26, 6), (2, 24.0, 40)]
        assert a_week().gbit_hours == pytest.approx(58.26)

    def test_lists_who_cannot_lose_a_member(self):
        """By hand: 12 Gbit/s on the 10 that are left is 120 %."""
        (line,) = a_week().losing

        assert (line.side.team_id, line.load) == (4, pytest.approx(1.2))

    def test_takes_the_worst_day_of_each_side(self):
        week = a_week(days=[a_day(4, 1, busy_bps=12e9), a_day(4, 2, busy_bps=15e9), a_day(4, 1, 1, busy_bps=11e9)])

        assert [(line.side.direction, line.load) for line in week.losing] == [(0, 1.5), (1, 1.1)]

    def test_says_where_the_even_split_is_heading(self):
        """By hand, least squares: 40, 41, 43, 44, 46, 47 rise by 51.2 / 35 = 1.46 a week; 23 are left to 70 %."""
        line = a_week().heading[0]

        assert (line.side.team_id, line.even_split) == (4, 47)
        assert line.trend.slope == pytest.approx(1.46, abs=0.005)
        assert line.trend.weeks == pytest.approx(16, abs=0.5)
        assert line.trend.weak
        assert line.known == 6

    def test_says_how_many_weeks_are_known_where_they_are_too_few(self):
        line = a_week(before=()).heading[0]

        assert (line.known, line.trend) == (1, None)

    def test_lists_what_no_far_end_can_bear_first(self):
        first, *_ = a_week().methods

        assert (first.method, first.far_end, first.teams, a_week().mismatched) == ("layer4-tuple", "none", 1, 1)

    def test_counts_the_time_that_was_seen(self):
        week = a_week(days=[a_day(1, back) for back in range(1, 8)] + [a_day(2, 1, seen_seconds=0.0)])

        assert (week.teams, week.seen) == (1, 0.5)

    def test_of_no_days_knows_nothing(self):
        week = a_week(days=[], before=[])

        assert week.teams == 0
        assert math.isnan(week.seen)

    def test_leaves_out_a_team_that_is_gone(self):
        assert report(TO_MS, [a_day(99, **stranded(9e9, 9))], [], named()).stranded == ()

    def test_is_the_same_whatever_the_order(self):
        assert a_week(days=days()[::-1]) == a_week()

    def test_spans_seven_days(self):
        assert a_week().to_ms - a_week().from_ms == 7 * DAY_MS


class TestFullest:
    def test_are_some_of_the_known_the_fullest_first(self):
        many = [a_day(number, even_p95=number / 100) for number in range(1, 20)]

        assert fullest([*many, a_day(50, even_p95=math.nan)]) == tuple((19 - n, 0) for n in range(FOLLOWED))
