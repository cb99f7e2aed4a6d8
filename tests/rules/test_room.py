import pytest

from service.rules.room import DAY_MS, Forecast, days_until, of_kept, of_lasting

HOUR_MS = 3_600_000


class TestOfKept:
    def test_grows_until_it_is_as_old_as_it_may_become(self):
        # Worked by hand: 12 h took 60, so a day takes 120, and the 36 h that are left of 48 h take 180 more.
        assert of_kept(60, 12 * HOUR_MS, 48 * HOUR_MS) == Forecast(60, 120.0, 240.0, 1.5)

    @pytest.mark.parametrize("span_h", [48, 49, 500])
    def test_grows_no_more_then(self, span_h):
        assert of_kept(60, span_h * HOUR_MS, 48 * HOUR_MS)[2:] == (60.0, 0.0)

    @pytest.mark.parametrize("span_ms", [0, HOUR_MS - 1])
    def test_says_nothing_from_next_to_nothing(self, span_ms):
        assert of_kept(60, span_ms, DAY_MS) == of_lasting(60, span_ms) == Forecast(60, None, None, None)


class TestOfLasting:
    def test_grows_for_another_year(self):
        assert of_lasting(10, 10 * DAY_MS) == Forecast(10, 1.0, 375.0, 365.0)


class TestDaysUntil:
    def test_reckons_each_rate_only_as_long_as_it_lasts(self):
        # Worked by hand: 30 a day together for two days, then 10 a day: 60 + 10 x 4 = 100 after six days.
        both = [of_kept(40, 2 * DAY_MS, 4 * DAY_MS), of_lasting(10, DAY_MS)]

        assert days_until(both, 100) == 6.0
        assert days_until(both, 30) == 1.0

    def test_is_never_where_there_is_room_for_a_year(self):
        assert days_until([of_kept(40, 2 * DAY_MS, 4 * DAY_MS), of_lasting(10, DAY_MS)], 10**9) is None

    def test_is_unknown_where_nothing_grows(self):
        assert days_until([of_kept(40, 0, DAY_MS)], 1) is None
