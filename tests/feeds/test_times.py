"""Instants. The examples and rules of RFC 3339 are those of its sections 5.6 to 5.8."""

import random
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import UnusableInput
from service.feeds import times
from service.feeds.times import NoInstant

LONDON = ZoneInfo("Europe/London")
OFFSETS = st.integers(-23 * 60 - 59, 23 * 60 + 59).map(lambda minutes: timezone(timedelta(minutes=minutes)))
# Python's own calendar is the reference: proleptic Gregorian, as RFC 3339's appendix D.
DATES = st.datetimes(datetime(1970, 1, 3), datetime(9999, 12, 29), timezones=OFFSETS)  # noqa: DTZ001  # zones are drawn


def ms(at):
    return (at - times.EPOCH) // timedelta(milliseconds=1)


class TestRfc3339Ms:
    @pytest.mark.parametrize(
        ("text", "same_as"),
        [
            # RFC 3339 section 5.8, with the UTC that it gives beside each.
            ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
            ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
            ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
        ],
    )
    def test_reads_the_examples_of_the_standard(self, text, same_as):
        assert times.rfc3339_ms(text) == ms(same_as)

    @pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])
    def test_takes_the_standards_leap_second_as_the_second_after_it(self, text):
        assert times.rfc3339_ms(text) == ms(datetime(1991, 1, 1, tzinfo=UTC))

    def test_refuses_a_time_without_zone(self):
        with pytest.raises(NoInstant):
            times.rfc3339_ms("1985-04-12T23:20:50")


class TestOfText:
    @given(DATES)
    def test_agrees_with_the_calendar_of_python_at_any_offset(self, at):
        text = at.isoformat(timespec="milliseconds")
        whole = at.replace(microsecond=at.microsecond // 1000 * 1000)

        assert times.of_text(text) == ms(whole)

    @given(st.integers(0, times.LAST_MS // 1000))
    def test_reads_whole_seconds_since_the_epoch(self, seconds):
        assert times.of_text(str(seconds)) == seconds * 1000

    @given(st.integers(0, 4_102_444_800_000))
    def test_keeps_milliseconds_of_decimal_seconds(self, at_ms):
        assert times.of_text(f"{at_ms // 1000}.{at_ms % 1000:03}") == at_ms

    @pytest.mark.parametrize(
        ("text", "at_ms"),
        [
            ("1970-01-01T00:00:00.0004Z", 0),
            ("1970-01-01T00:00:00.0005Z", 1),
            ("1970-01-01T00:00:00.9996Z", 1000),
            ("1970-01-01t00:00:01z", 1000),
            ("1970-01-01 00:00:01Z", 1000),
            ("1970-01-01T00:00:00.123456789Z", 123),
            ("1970-01-01T01:00:00-00:00", 3_600_000),
        ],
    )
    def test_rounds_to_the_nearest_millisecond_and_reads_every_spelling(self, text, at_ms):
        assert times.of_text(text) == at_ms

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("2026-11-25T10:00:00", "has no zone"),
            ("2026-11-25 10:00:00.5", "has no zone"),
            ("2026-02-30T10:00:00Z", "no date and time of the calendar"),
            ("2026-11-25T24:00:00Z", "no date and time of the calendar"),
            ("2026-11-25T10:00:60Z", "no leap second"),
            ("2026-11-25T10:00:00+24:00", "offset"),
            ("2026-11-25T10:00:00+0100", "is no instant"),
            ("2026-11-25T10:00Z", "is no instant"),
            ("2026-11-25", "is no instant"),
            ("25.11.2026 10:00", "is no instant"),
            ("1969-12-31T23:59:59Z", "before 1970"),
            ("1795604412146", "milliseconds"),
            ("-5", "is no instant"),
            ("1e9", "is no instant"),
            ("nan", "is no instant"),
            ("٣", "is no instant"),
            ("0000-01-01T00:00:00Z", "calendar"),
            ("0001-01-01T00:00:00+23:00", "outside"),
        ],
    )
    def test_refuses_what_is_no_instant_and_says_why(self, text, says):
        with pytest.raises(NoInstant, match=says):
            times.of_text(text)


class TestOfTextInAZone:
    def test_reads_a_local_time(self):
        assert times.of_text("2026-07-01T12:00:00", LONDON) == ms(datetime(2026, 7, 1, 11, tzinfo=UTC))

    def test_leaves_a_time_with_an_offset_alone(self):
        assert times.of_text("2026-07-01T12:00:00Z", LONDON) == ms(datetime(2026, 7, 1, 12, tzinfo=UTC))

    # Clocks in London go forward at 01:00 UTC on the last Sunday of March and back on that of
    # October (tz database, Europe/London): 2026-03-29 and 2026-10-25.
    @pytest.mark.parametrize("text", ["2026-10-25T01:00:00", "2026-10-25T01:59:59.999"])
    def test_refuses_a_time_that_exists_twice(self, text):
        with pytest.raises(NoInstant, match="exists twice"):
            times.of_text(text, LONDON)

    @pytest.mark.parametrize("text", ["2026-03-29T01:00:00", "2026-03-29T01:59:59"])
    def test_refuses_a_time_that_does_not_exist(self, text):
        with pytest.raises(NoInstant, match="does not exist"):
            times.of_text(text, LONDON)

    @pytest.mark.parametrize("text", ["2026-10-25T00:59:59", "2026-10-25T02:00:00", "2026-03-29T02:00:00"])
    def test_takes_the_times_around_it(self, text):
        assert times.of_text(text, LONDON) > 0


class TestOfTexts:
    @given(st.lists(DATES, min_size=1, max_size=5))
    def test_reads_as_one_by_one(self, dates):
        texts = [at.isoformat(timespec=random.choice(["milliseconds", "microseconds"])) for at in dates]

        assert times.of_texts(pa.array(texts)).tolist() == list(map(times.of_text, texts))

    @given(st.lists(st.integers(0, 4_102_444_800_000_000), min_size=1, max_size=5))
    def test_reads_seconds_as_one_by_one(self, micros):
        texts = [f"{one // 1_000_000}.{one % 1_000_000:06}" for one in micros]

        assert times.of_texts(pa.array(texts)).tolist() == list(map(times.of_text, texts))

    @pytest.mark.parametrize(
        "odd",
        ["1990-12-31T23:59:60Z", "2026-02-30T00:00:00Z", "1969-12-31T23:59:59.9Z", "2026-11-25T10:00:00", "x", ""],
    )
    def test_leaves_what_is_not_plain_to_a_closer_look(self, odd):
        assert times.of_texts(pa.array(["2026-11-25T10:00:00Z", odd])) is None


class TestOfNumbers:
    def test_leaves_what_is_out_of_range_to_a_closer_look(self):
        for odd in (np.nan, np.inf, -1.0, 1e12):
            assert times.of_numbers(np.array([1.0, odd])) is None


class TestZoneNamed:
    @pytest.mark.parametrize("name", ["Europe/Atlantis", "", "../../etc/passwd", "\0"])
    def test_refuses_a_zone_that_nobody_knows(self, name):
        with pytest.raises(UnusableInput, match="no time zone"):
            times.zone_named(name)

    def test_knows_no_zone_where_none_is_named(self):
        assert times.zone_named(None) is None
