import numpy as np
import pytest
from examples import EPOCH_MS

from service.collection import timing


class TestPhase:
    def test_is_the_same_each_time(self):
        assert timing.phase_ms("sm-07", 10_000) == timing.phase_ms("sm-07", 10_000)

    def test_spreads_a_thousand_devices_over_the_seconds_of_the_interval(self):
        phases = [timing.phase_ms(f"sm-{k:04}", 10_000) for k in range(1000)]
        by_second = np.bincount(np.array(phases) // 1000, minlength=10)

        # Binomial(1000, 1/10): 100 on average with a standard deviation of 9.5, so 60 to 140 is four of them.
        assert by_second.min() > 60
        assert by_second.max() < 140

    def test_lies_within_the_interval(self):
        assert {timing.phase_ms(f"sm-{k}", 3) for k in range(50)} == {0, 1, 2}


class TestDueAfter:
    @pytest.mark.parametrize(("phase", "due"), [(0, 0), (1, 1), (9_999, 9_999)])
    def test_is_the_next_instant_of_the_phase(self, phase, due):
        assert timing.due_after(EPOCH_MS, 10_000, phase) == EPOCH_MS + due
        assert timing.due_after(EPOCH_MS + due + 1, 10_000, phase) == EPOCH_MS + due + 10_000


class TestWait:
    def test_doubles_up_to_the_most(self):
        assert [timing.wait_ms(k, 1_000, 60_000) // 1000 for k in range(1, 9)] == [1, 2, 4, 8, 16, 32, 60, 60]

    def test_is_never_shorter_than_the_interval(self):
        assert timing.wait_ms(5, 300_000, 60_000) == 300_000

    def test_survives_a_year_of_failures(self):
        assert timing.wait_ms(3_000_000, 10_000, 60_000) == 60_000


class TestStretched:
    def test_grows_to_six_times_and_shrinks_back_to_one(self):
        factor, seen = 1.0, []
        while len(seen) < 6:
            factor = timing.stretched(factor)
            seen.append(factor)
        assert seen == [1.5, 2.25, 3.375, 5.0625, 6.0, 6.0]
        for _ in range(5):
            factor = timing.shrunk(factor)
        assert factor == 1.0
