import numpy as np
import pytest
from rules.trials.planned import BEGIN_MS, a_group, a_plan, polled

from service.rules.trials import counting


def at(share, *, before=0.0):
    """600 s of eight streams of 100 Mbit/s of which so much is counted, dealt out 5 to 3."""
    return polled(
        [before] * 6 + [500 * share + before] * 60 + [before] * 6,
        [before] * 6 + [300 * share + before] * 60 + [before] * 6,
    )


class TestCounted:
    @pytest.mark.parametrize(
        ("share", "agrees"), [(1, True), (1.02, True), (1.0201, False), (0.98, True), (0.9799, False)]
    )
    def test_agrees_within_two_per_cent(self, share, agrees):
        found = counting.counted(a_plan(), at(share))

        assert found.ratio == pytest.approx(share)
        assert found.agrees is agrees

    def test_takes_off_what_ran_before(self):
        found = counting.counted(a_plan(), at(1, before=50))

        assert found.background_bps == pytest.approx(100e6)
        assert found.ratio == pytest.approx(1)

    def test_knows_no_background_where_no_poll_is_before(self):
        cells = polled([500] * 60, [300] * 60, first_s=0)

        assert counting.counted(a_plan(), cells).background_bps is None

    def test_leaves_out_the_poll_in_which_sending_begins_a_little_early(self):
        cells = polled([0] * 5 + [40] + [500] * 60, [0] * 5 + [20] + [300] * 60)

        assert counting.background_bps(a_plan(), cells).tolist() == [0, 0]

    def test_leaves_out_polls_that_some_member_lacks(self):
        holes = [None if at % 7 == 0 else 500 for at in range(60)]

        found = counting.counted(a_plan(), polled(holes, [300] * 60, first_s=0))

        assert found.ratio == pytest.approx(1)
        assert found.seconds == 10 * sum(one is not None for one in holes)

    def test_holds_what_is_offered_in_the_same_polls_against_it(self):
        plan = a_plan(a_group(4, 100, end_s=300), a_group(4, 100, begin_s=300))
        cells = polled([400] * 60, [0] * 60, first_s=0)

        assert counting.counted(plan, cells).ratio == pytest.approx(1)

    def test_tells_nothing_where_no_poll_lies_in_the_check(self):
        assert counting.counted(a_plan(), polled([500], [300], first_s=-5)) is None

    def test_expects_less_of_counters_that_leave_out_the_check_sequence(self):
        cells = at(0.996)  # 996 of 1000 octets a frame
        cells.counts[:] = 1

        assert counting.counted(a_plan(), cells).ratio == pytest.approx(1)


class TestDiscarded:
    def test_sums_the_polls_that_touch_the_stretch(self):
        cells = polled([0] * 4, [0] * 4, first_s=0, discards=[[1, 2, 4, 8], [16, 32, 64, 128]])

        assert counting.discarded(cells, BEGIN_MS + 15_000, BEGIN_MS + 21_000) == 2 + 32 + 4 + 64

    def test_does_not_know_where_nobody_counts(self):
        cells = polled([0], [0], first_s=0, discards=[[np.nan], [np.nan]])

        assert counting.discarded(cells, BEGIN_MS, BEGIN_MS + 10_000) is None
