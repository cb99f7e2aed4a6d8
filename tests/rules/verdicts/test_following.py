from datetime import UTC, datetime

import pytest

from service.rules.verdicts.following import DAY_MS, following, since, so_far
from service.terms import Stretches

HOUR_MS = 3_600_000
THURSDAY_MS = round(datetime(2026, 11, 26, 22, 15, tzinfo=UTC).timestamp()) * 1000


def days(told, first_ms=THURSDAY_MS):
    return [(start - first_ms) / DAY_MS for start, _ in told.spans]


class TestFollowing:
    def test_has_the_working_nights_of_a_week(self):
        # Thursday, Friday, Monday, Tuesday, Wednesday, by the calendar of November 2026.
        assert days(following(THURSDAY_MS, HOUR_MS, THURSDAY_MS + 30 * DAY_MS)) == [0, 1, 4, 5, 6]

    def test_has_the_other_days_for_a_change_on_a_day_off(self):
        saturday_ms = THURSDAY_MS + 2 * DAY_MS

        assert days(following(saturday_ms, HOUR_MS, saturday_ms + 30 * DAY_MS), saturday_ms) == [0, 1]

    @pytest.mark.parametrize(("passed_ms", "spans"), [(0, 0), (1, 1), (DAY_MS, 1), (DAY_MS + 1, 2)])
    def test_goes_as_far_as_time_has(self, passed_ms, spans):
        told = following(THURSDAY_MS, HOUR_MS, THURSDAY_MS + passed_ms).spans

        assert len(told) == spans
        assert all(end <= THURSDAY_MS + passed_ms for _, end in told)

    def test_keeps_to_the_clock_on_the_wall(self):
        # Lisbon went from UTC+1 to UTC on 25 October 2026, by the zone data of IANA; 22:15 stays 22:15.
        friday_ms = round(datetime(2026, 10, 23, 21, 15, tzinfo=UTC).timestamp()) * 1000

        told = following(friday_ms, HOUR_MS, friday_ms + 30 * DAY_MS, zone="Europe/Lisbon")

        assert days(told, friday_ms)[1] == 3 + 1 / 24


class TestSoFar:
    @pytest.mark.parametrize(
        ("elapsed_ms", "spans"), [(0, ()), (40, ((0, 40), (1000, 1040))), (200, ((0, 100), (1000, 1100)))]
    )
    def test_is_as_long_as_what_has_passed(self, elapsed_ms, spans):
        assert so_far(((0, 100), (1000, 1100)), elapsed_ms).spans == spans


class TestSince:
    @pytest.mark.parametrize(("from_ms", "spans"), [(0, ((0, 9), (20, 29))), (5, ((5, 9), (20, 29))), (9, ((20, 29),))])
    def test_leaves_out_what_lies_before(self, from_ms, spans):
        assert since(Stretches(((0, 9), (20, 29))), from_ms) == spans
