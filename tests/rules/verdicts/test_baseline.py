from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from service.rules.verdicts.baseline import baseline

SETTLE_MS = 300_000
HOUR_MS = 3_600_000


def ms(text, zone=UTC):
    return round(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp() * 1000)


def told(stretches, zone=UTC):
    return [
        tuple(datetime.fromtimestamp(at / 1000, zone).strftime("%a %d %H:%M") for at in span)
        for span in stretches.spans
    ]


class TestBaseline:
    def test_of_a_thursday_night_is_the_three_working_nights_before(self):
        found = baseline(ms("2026-11-26T22:10"), SETTLE_MS, ms("2026-11-27T06:00"))

        assert told(found.before) == [
            ("Mon 23 22:15", "Tue 24 06:00"),
            ("Tue 24 22:15", "Wed 25 06:00"),
            ("Wed 25 22:15", "Thu 26 06:00"),
        ]
        assert [(end - start) // 30_000 for start, end in found.before.spans] == [930] * 3
        assert told(found.after) == [("Thu 26 22:15", "Fri 27 06:00")]
        assert found.dates == ("2026-11-23", "2026-11-24", "2026-11-25")

    def test_of_a_monday_night_passes_over_the_weekend(self):
        found = baseline(ms("2026-11-23T22:10"), SETTLE_MS, ms("2026-11-24T06:00"))

        assert found.dates == ("2026-11-18", "2026-11-19", "2026-11-20")

    def test_of_a_sunday_is_weekend_days(self):
        found = baseline(ms("2026-11-22T08:00"), SETTLE_MS, ms("2026-11-22T12:00"))

        assert found.dates == ("2026-11-14", "2026-11-15", "2026-11-21")

    def test_grows_with_what_has_passed(self):
        found = baseline(ms("2026-11-26T22:10"), SETTLE_MS, ms("2026-11-26T23:00"))

        assert told(found.before)[-1] == ("Wed 25 22:15", "Wed 25 23:00")

    def test_is_whole_from_the_beginning_where_hours_are_planned(self):
        found = baseline(ms("2026-11-26T22:10"), SETTLE_MS, ms("2026-11-26T22:30"), after_hours=7.75)

        assert told(found.before)[-1] == ("Wed 25 22:15", "Thu 26 06:00")
        assert told(found.after) == [("Thu 26 22:15", "Thu 26 22:30")]

    @pytest.mark.parametrize("now", ["2026-11-26T22:10", "2026-11-26T22:15"])
    def test_has_no_after_while_things_settle(self, now):
        assert baseline(ms("2026-11-26T22:10"), SETTLE_MS, ms(now)).after.spans == ()

    def test_takes_nothing_within_the_settle_time_before_the_change(self):
        # A whole day after: the day before ends where the change begins.
        found = baseline(ms("2026-11-26T22:10"), SETTLE_MS, ms("2026-11-27T22:15"))

        assert told(found.before)[-1] == ("Wed 25 22:15", "Thu 26 22:05")

    def test_of_days_takes_each_class_of_day_from_its_own(self):
        # Friday evening to Sunday evening: Friday's day from working days, Saturday's from weekends.
        found = baseline(ms("2026-11-27T18:00"), 0, ms("2026-11-29T18:00"))

        assert [span[0] for span in told(found.before)] == [
            "Sun 15 18:00",
            "Sat 21 18:00",
            "Sun 22 18:00",
            "Tue 24 18:00",
            "Wed 25 18:00",
            "Thu 26 18:00",
        ]

    def test_keeps_to_the_clock_on_the_wall_over_a_change_to_summer_time(self):
        lisbon = ZoneInfo("Europe/Lisbon")
        found = baseline(ms("2026-03-30T22:00", lisbon), 0, ms("2026-03-30T23:00", lisbon), zone="Europe/Lisbon")

        assert told(found.before, lisbon) == [
            ("Wed 25 22:00", "Wed 25 23:00"),
            ("Thu 26 22:00", "Thu 26 23:00"),
            ("Fri 27 22:00", "Fri 27 23:00"),
        ]

    def test_reaches_back_no_further_than_windows_are_kept(self):
        found = baseline(ms("2026-11-26T22:10"), SETTLE_MS, ms("2026-11-27T06:00"), working_days=frozenset({3}))

        assert found.dates == ("2026-11-12", "2026-11-19")

    def test_lies_on_the_edges_of_windows(self):
        found = baseline(ms("2026-11-26T22:10") + 7_000, SETTLE_MS, ms("2026-11-26T23:00") + 11_000)

        assert all(
            at % 30_000 == 0 for spans in (found.before.spans, found.after.spans) for span in spans for at in span
        )

    def test_lasts_a_week_at_most(self):
        found = baseline(ms("2026-11-05T22:10"), SETTLE_MS, ms("2026-11-27T06:00"))

        ((start, end),) = found.after.spans
        assert end - start == 7 * 24 * HOUR_MS
