from datetime import datetime, time
from zoneinfo import ZoneInfo

import pytest

from service.webhooks import digests

EIGHT = time(8)


def ms(text, zone="Europe/Lisbon"):
    return round(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp() * 1000)


class TestDueMs:
    @pytest.mark.parametrize(
        ("now", "due"),
        [
            ("2026-11-25T07:59:59", "2026-11-25T08:00"),
            ("2026-11-25T08:00", "2026-11-26T08:00"),
            ("2026-11-25T23:30", "2026-11-26T08:00"),
            # Lisbon puts its clocks back on 2026-10-25 and forward on 2027-03-28 (IANA time zone database).
            ("2026-10-24T09:00", "2026-10-25T08:00"),
            ("2027-03-27T09:00", "2027-03-28T08:00"),
        ],
    )
    def test_is_the_next_time_that_a_clock_there_shows_it(self, now, due):
        assert digests.due_ms(EIGHT, "Europe/Lisbon", ms(now)) == ms(due)

    def test_comes_once_a_day_even_where_the_hour_is_left_out_or_comes_twice(self):
        for day, at in (("2027-03-28", time(1, 30)), ("2026-10-25", time(1, 30))):
            now_ms, found = ms(f"{day}T00:00"), []
            for _ in range(3):
                now_ms = digests.due_ms(at, "Europe/Lisbon", now_ms)
                found.append(datetime.fromtimestamp(now_ms / 1000, ZoneInfo("Europe/Lisbon")).date())
            assert len(set(found)) == 3
