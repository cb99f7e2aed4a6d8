import contextlib
from datetime import UTC, datetime

import pytest
from hypothesis import given
from mangling import mangled

from service.errors import WrongQuestion
from service.terms import QuietTime
from service.webhooks import quiet

HOUR_MS = 3_600_000


def ms(text):
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def a_quiet_time(**told):
    usual = {
        "id": "q1",
        "begins": datetime.fromisoformat("2026-11-24T22:00"),
        "minutes": 60,
        "devices": ("sm-*",),
        "because": "work",
    }
    return QuietTime(**{**usual, **told})


# The rules and their occurrences are examples of RFC 5545, section 3.8.5.3; all begin at 09:00, New York time.
RFC_5545 = [
    (
        "FREQ=DAILY;COUNT=10",
        "1997-09-02",
        ["1997-09-02T09:00-04:00", "1997-09-11T09:00-04:00"],
        ["1997-09-12T09:00-04:00"],
    ),
    (
        "FREQ=WEEKLY;INTERVAL=2;WKST=SU",
        "1997-09-02",
        ["1997-09-16T09:00-04:00", "1997-10-28T09:00-05:00", "1998-01-20T09:00-05:00"],
        ["1997-09-09T09:00-04:00", "1997-10-21T09:00-04:00"],
    ),
    (
        "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH",
        "1997-09-02",
        ["1997-09-04T09:00-04:00", "1997-10-02T09:00-04:00"],
        ["1997-10-07T09:00-04:00", "1997-09-05T09:00-04:00"],
    ),
    (
        "FREQ=MONTHLY;BYDAY=-2MO;COUNT=6",
        "1997-09-22",
        ["1997-10-20T09:00-04:00", "1997-11-17T09:00-05:00", "1998-02-16T09:00-05:00"],
        ["1998-03-23T09:00-05:00"],
    ),
    (
        "FREQ=MONTHLY;BYMONTHDAY=-3",
        "1997-09-28",
        ["1997-10-29T09:00-05:00", "1997-11-28T09:00-05:00", "1998-02-26T09:00-05:00"],
        ["1997-11-29T09:00-05:00"],
    ),
    (
        "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
        "1997-09-02",
        ["1998-02-13T09:00-05:00", "1998-11-13T09:00-05:00", "2000-10-13T09:00-04:00"],
        ["1997-09-12T09:00-04:00"],
    ),
    (
        "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8",
        "1996-11-05",
        ["2000-11-07T09:00-05:00", "2004-11-02T09:00-05:00"],
        ["1998-11-03T09:00-05:00"],
    ),
]


class TestAnyRecurrence:
    @given(mangled(b"FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU;BYMONTH=1,3;UNTIL=20270101T000000Z"))
    def test_is_refused_or_can_be_reckoned_with(self, octets):
        with contextlib.suppress(WrongQuestion):
            told = quiet.check(a_quiet_time(recurrence=octets.decode("latin-1")))
            now_ms = ms("2026-12-24T12:00:00+00:00")
            begins_ms, until_ms = quiet.upcoming(told, now_ms), quiet.until(told, now_ms)
            assert begins_ms is None or begins_ms > now_ms
            assert until_ms is None or until_ms > now_ms


class TestUntil:
    @pytest.mark.parametrize(("rule", "day", "lasting", "over"), RFC_5545)
    def test_recurs_as_the_standard_s_examples_do(self, rule, day, lasting, over):
        begins = datetime.fromisoformat(f"{day}T09:00")
        mine = a_quiet_time(begins=begins, recurrence=rule, zone="America/New_York")

        for at in lasting:
            assert quiet.until(mine, ms(at)) == ms(at) + HOUR_MS
            assert quiet.until(mine, ms(at) - 1) is None
            assert quiet.until(mine, ms(at) + HOUR_MS) is None
        for at in over:
            assert quiet.until(mine, ms(at) + 60_000) is None

    # RFC 5545, section 3.3.5: a time that does not occur is read by the offset before the gap.
    def test_begins_by_the_offset_before_a_leap_of_the_clock(self):
        mine = a_quiet_time(
            begins=datetime.fromisoformat("2007-03-04T02:30"), recurrence="FREQ=WEEKLY", zone="America/New_York"
        )

        assert quiet.until(mine, ms("2007-03-11T03:30-04:00")) == ms("2007-03-11T04:30-04:00")

    # RFC 5545, section 3.3.5: a time that occurs twice is the first of both.
    def test_begins_at_the_first_of_two_hours_of_one_name(self):
        mine = a_quiet_time(
            begins=datetime.fromisoformat("2007-10-28T01:30"), recurrence="FREQ=WEEKLY", zone="America/New_York"
        )

        assert quiet.until(mine, ms("2007-11-04T01:30-04:00")) == ms("2007-11-04T01:30-05:00")
        assert quiet.until(mine, ms("2007-11-04T01:30-05:00")) is None

    def test_is_once_without_a_rule(self):
        mine = a_quiet_time()

        assert quiet.until(mine, ms("2026-11-24T22:20+00:00")) == ms("2026-11-24T23:00+00:00")
        assert quiet.until(mine, ms("2026-11-25T22:20+00:00")) is None

    def test_is_never_again_once_ended(self):
        mine = a_quiet_time(recurrence="FREQ=DAILY", ended_ms=ms("2026-11-24T22:10+00:00"))

        assert quiet.until(mine, ms("2026-11-24T22:20+00:00")) is None
        assert quiet.upcoming(mine, ms("2026-11-24T21:00+00:00")) is None


class TestUpcoming:
    def test_is_the_next_beginning(self):
        at = ms("2026-11-24T22:20+00:00")

        assert quiet.upcoming(a_quiet_time(recurrence="FREQ=DAILY"), at) == ms("2026-11-25T22:00+00:00")
        assert quiet.upcoming(a_quiet_time(), at) is None
        assert quiet.upcoming(a_quiet_time(), at - HOUR_MS) == ms("2026-11-24T22:00+00:00")


class TestHoldsUntil:
    AT = ms("2026-11-24T22:20+00:00")

    @pytest.mark.parametrize(
        ("told", "sites", "holds"),
        [
            ({}, (), True),
            ({"devices": ("uw-*",)}, (), False),
            ({"teams": ("front",)}, (), True),
            ({"teams": ("store",)}, (), False),
            ({"devices": (), "sites": ("Salt*",)}, ("Saltmere",), True),
            ({"devices": (), "sites": ("Salt*",)}, ("Upper Wend",), False),
            ({"devices": (), "sites": ("Salt*",)}, (), False),
        ],
    )
    def test_is_about_the_teams_that_it_names(self, told, sites, holds):
        until = quiet.holds_until([a_quiet_time(**told)], ("sm-07", "front"), sites, self.AT)

        assert (until is not None) == holds

    def test_is_the_latest_end_of_several(self):
        longer = a_quiet_time(id="q2", minutes=90)

        assert quiet.holds_until([longer, a_quiet_time()], ("sm-07", "front"), (), self.AT) == ms(
            "2026-11-24T23:30+00:00"
        )


class TestCheck:
    @pytest.mark.parametrize(
        "recurrence", ["", "FREQ=WEEKLY;BYDAY=TU", "FREQ=DAILY;COUNT=3", "FREQ=MONTHLY;BYDAY=2SA", "FREQ=YEARLY"]
    )
    def test_takes_what_ends(self, recurrence):
        mine = a_quiet_time(recurrence=recurrence)

        assert quiet.check(mine) is mine

    @pytest.mark.parametrize(
        ("told", "parameter"),
        [
            ({"devices": ()}, "devices"),
            ({"because": " "}, "because"),
            ({"minutes": 0}, "minutes"),
            ({"minutes": 7 * 24 * 60 + 1}, "minutes"),
            ({"minutes": 24 * 60, "recurrence": "FREQ=DAILY"}, "minutes"),
            ({"minutes": 23 * 60 + 1, "recurrence": "FREQ=DAILY"}, "minutes"),
            ({"zone": "Saltmere/Quay"}, "zone"),
            ({"zone": "../etc/passwd"}, "zone"),
            ({"recurrence": "FREQ=MINUTELY"}, "recurrence"),
            ({"recurrence": "FREQ=SECONDLY;COUNT=2"}, "recurrence"),
            ({"recurrence": "FREQ=DAILY;BYHOUR=1,2,3"}, "recurrence"),
            ({"recurrence": "BYDAY=TU"}, "recurrence"),
            ({"recurrence": "FREQ=WEEKLY;BYDAY=XX"}, "recurrence"),
            ({"recurrence": "FREQ=WEEKLY;NEVER"}, "recurrence"),
            ({"recurrence": "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"}, "recurrence"),
            ({"recurrence": "FREQ=DAILY\nDTSTART:20200101T000000"}, "recurrence"),
        ],
    )
    def test_refuses_what_would_hide_for_ever_or_means_nothing(self, told, parameter):
        with pytest.raises(WrongQuestion) as refused:
            quiet.check(a_quiet_time(**told))

        assert refused.value.parameter == parameter

    def test_knows_the_clock_of_utc(self):
        assert quiet.until(a_quiet_time(), round(datetime(2026, 11, 24, 22, tzinfo=UTC).timestamp() * 1000))
