import pytest

from service.collection.restarts import Uptime, restarted

HOUR_MS, HOUR_TICKS = 3_600_000, 360_000


class TestRestarted:
    def test_is_not_so_while_uptime_keeps_pace(self):
        assert not restarted(Uptime(500, 0), Uptime(1_500, 10_000))

    def test_is_so_when_uptime_fell(self):
        assert restarted(Uptime(500_000, 0), Uptime(499_999, 10_000))

    def test_is_so_when_a_long_gap_hides_the_fall(self):
        assert restarted(Uptime(1_000, 0), Uptime(HOUR_TICKS // 2, HOUR_MS))

    # TimeTicks are 32 bits of hundredths of a second: RFC 2578, section 7.1.8.
    def test_is_not_so_when_ticks_begin_anew_after_497_days(self):
        assert not restarted(Uptime(2**32 - 400, 0), Uptime(600, 10_000))

    @pytest.mark.parametrize("late_s", [0, 20])
    def test_forgives_agents_that_refresh_their_uptime_now_and_then(self, late_s):
        assert not restarted(Uptime(500, 0), Uptime(500 + (30 - late_s) * 100, 30_000))
