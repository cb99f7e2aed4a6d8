import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.webhooks.retry import (
    BUSY_WAIT_MS,
    GIVE_UP_AFTER_H,
    HOUR_MS,
    LONGEST_ASKED_MS,
    SECOND_MS,
    WAITS_MS,
    Meaning,
    asked_wait_ms,
    meaning,
    next_attempt_ms,
    wait_ms,
)

NOW_MS = 1_795_600_800_000


class TestMeaning:
    # Standard Webhooks: success is 2xx only, 3xx is a failure, 410 disables, 429, 502 and 504 throttle.
    # RFC 9110 section 15.6.4 says the same of 503.
    @pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
    def test_of_2xx_is_taken(self, status):
        assert meaning(status) is Meaning.TAKEN

    @pytest.mark.parametrize("status", [101, 199, 300, 301, 302, 304, 307, 308, 400, 401, 404, 409, 422, 500, 501])
    def test_of_a_redirect_or_an_error_is_later(self, status):
        assert meaning(status) is Meaning.LATER

    @pytest.mark.parametrize("status", [429, 502, 503, 504])
    def test_of_a_busy_receiver_is_to_leave_it_alone_for_a_while(self, status):
        assert meaning(status) is Meaning.BUSY

    def test_of_410_is_never_again(self):
        assert meaning(410) is Meaning.GONE


class TestAskedWait:
    def test_reads_seconds(self):
        # RFC 9110 section 10.2.3 gives 120; RFC 6585 section 4 gives 3600.
        assert asked_wait_ms("120", NOW_MS) == 120_000
        assert asked_wait_ms(" 3600 ", NOW_MS) == HOUR_MS

    @pytest.mark.parametrize(
        "date",
        # RFC 9110 section 5.6.7: the preferred form and the two obsolete ones that must be read.
        ["Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994"],
    )
    def test_reads_a_date_in_each_of_its_forms(self, date):
        at_ms = 784_111_777_000  # the instant that those three name

        assert asked_wait_ms(date, at_ms - 45_000) == 45_000

    def test_reads_the_date_of_the_example(self):
        # RFC 9110 section 10.2.3; 946684799 s is the last second of 1999.
        assert asked_wait_ms("Fri, 31 Dec 1999 23:59:59 GMT", 946_684_799_000 - 1_500) == 1_500

    def test_of_a_date_gone_by_is_nothing(self):
        assert asked_wait_ms("Fri, 31 Dec 1999 23:59:59 GMT", NOW_MS) == 0

    @pytest.mark.parametrize("text", [None, "", "soon", "-5", "1.5", "٣", "Fri, 99 Dec 1999", "Fri, 31 Dec 99999999"])
    def test_of_anything_else_is_nothing(self, text):
        assert asked_wait_ms(text, NOW_MS) == 0

    @pytest.mark.parametrize("text", ["86401", "9" * 5000, "Fri, 31 Dec 2100 23:59:59 GMT"])
    def test_is_never_more_than_a_day(self, text):
        assert asked_wait_ms(text, NOW_MS) == LONGEST_ASKED_MS

    @given(st.text())
    def test_reads_any_text_without_failing(self, text):
        assert 0 <= asked_wait_ms(text, NOW_MS) <= LONGEST_ASKED_MS


class TestWait:
    def test_grows_from_seconds_to_hours(self):
        waits = [wait_ms(failures, jitter=0.0) for failures in range(1, 13)]

        assert waits[0] == 5 * SECOND_MS
        assert waits == sorted(waits)
        assert waits[-3:] == [WAITS_MS[-1]] * 3

    def test_tries_more_often_in_the_first_hour_than_the_published_example(self):
        # Standard Webhooks' example tries at 0, 0:00:05, 0:05:05 and 0:35:05 in its first hour: 4 times.
        starts = [sum(wait_ms(n, jitter=0.0) for n in range(1, tries)) for tries in range(1, 12)]

        assert sum(start < HOUR_MS for start in starts) >= 4

    @given(st.integers(1, 50), st.floats(0, 1))
    def test_is_stretched_by_jitter_up_to_a_fifth(self, failures, jitter):
        planned = wait_ms(failures, jitter=0.0)

        assert planned <= wait_ms(failures, jitter=jitter) <= planned * 1.2 + 1

    def test_is_longer_for_a_busy_receiver(self):
        assert wait_ms(1, jitter=0.0, busy=True) == BUSY_WAIT_MS
        assert wait_ms(4, jitter=0.0, busy=True) == wait_ms(4, jitter=0.0)


class TestNextAttempt:
    def test_comes_after_the_planned_wait(self):
        assert next_attempt_ms(5_000, 0, now_ms=NOW_MS, give_up_ms=NOW_MS + HOUR_MS) == NOW_MS + 5_000

    def test_respects_what_was_asked(self):
        assert next_attempt_ms(5_000, 30_000, now_ms=NOW_MS, give_up_ms=NOW_MS + HOUR_MS) == NOW_MS + 30_000

    def test_falls_on_the_very_end_rather_than_after_it(self):
        assert next_attempt_ms(HOUR_MS, 0, now_ms=NOW_MS, give_up_ms=NOW_MS + 1) == NOW_MS + 1

    def test_is_none_at_the_end_and_where_the_wait_asked_for_is_longer_than_that(self):
        assert next_attempt_ms(5_000, 0, now_ms=NOW_MS, give_up_ms=NOW_MS) is None
        assert next_attempt_ms(5_000, 30_000, now_ms=NOW_MS, give_up_ms=NOW_MS + 29_999) is None
        assert next_attempt_ms(5_000, 30_000, now_ms=NOW_MS, give_up_ms=NOW_MS + 30_000) == NOW_MS + 30_000

    def test_goes_on_for_three_days_by_default_and_ends_then(self):
        give_up_ms, at_ms, failures = GIVE_UP_AFTER_H * HOUR_MS, 0, 0
        while (
            again := next_attempt_ms(wait_ms(failures + 1, jitter=0.5), 0, now_ms=at_ms, give_up_ms=give_up_ms)
        ) is not None:
            at_ms, failures = again, failures + 1

        # The published example makes 10 attempts within 75 h 35 min.
        assert at_ms == 72 * HOUR_MS
        assert 10 <= failures <= 25
