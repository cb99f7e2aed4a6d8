import numpy as np
import pytest

from service.numerics.silence import Silence, silences, usual_interval

HEARD = np.arange(0, 300_001, 30_000)


class TestSilences:
    @pytest.mark.parametrize(("now_s", "silent"), [(390, False), (404, False), (405, True), (420, True)])
    def test_begin_at_three_missed_polls(self, now_s, silent):
        found = silences(HEARD, now_s * 1000)

        assert bool(found) == silent
        if silent:
            assert found == (Silence(300_000, None, 3),)

    def test_end_with_the_next_word(self):
        assert silences(np.append(HEARD, 600_000), 600_000) == (Silence(300_000, 600_000, 9),)

    def test_are_none_where_two_polls_were_missed(self):
        assert silences(np.append(HEARD, 390_000), 390_000) == ()

    def test_are_not_claimed_of_a_source_heard_once(self):
        assert silences(np.array([0]), 10**9) == ()
        assert silences(np.array([0]), 120_000, interval_ms=30_000) == (Silence(0, None, 3),)

    def test_are_none_of_nobody(self):
        assert silences(np.empty(0, dtype=np.int64), 5) == ()


class TestUsualInterval:
    def test_is_the_median(self):
        assert usual_interval(np.array([0, 30, 60, 90, 500])) == 30
