"""Cases that fool plain arithmetic, from samples to the measures of the team."""

import numpy as np
import pytest
from examples import GIGABIT, facts_of, samples_of

from service.numerics import teams
from service.numerics.intervals import intervals
from service.numerics.windows import member_windows
from service.terms import EGRESS, Facts, Flag, Span, Status, WhyNot


def both(rows, *facts, ports=2, count=1):
    table = facts_of(*facts)
    found = intervals(samples_of(rows), table)
    return found, member_windows(found, table, ports, Span(0, count))


def readings(*ports):
    """Samples of ports from lists of (seconds, octets out)."""
    return [{"port": p, "at": at, "out_octets": octets} for p, points in enumerate(ports) for at, octets in points]


def measures(windows):
    pair = np.array([[0, 1]])
    speed = teams.by_member(windows.speed_bps[:, :, np.newaxis], pair, 0)
    return teams.team_measures(teams.by_member(windows.utilisation, pair), speed)


class TestWrapAtOneGigabit:
    def test_makes_the_team_uneven(self):
        # Without the wrap m1 would seem reset, or at 70.6 %.
        rows = readings([(0, 4_000_000_000), (30, 2_646_907_704)], [(0, 1_000_000_000), (30, 1_300_000_000)])
        _, windows = both(rows, Facts(speed_bps=GIGABIT, counter_bits=32))

        assert windows.utilisation[:, 0, EGRESS].tolist() == pytest.approx([0.7845, 0.08])
        assert measures(windows).even_split[0, 0, EGRESS] == pytest.approx(0.4323, abs=5e-5)

    def test_read_too_late_is_no_value_and_no_coverage(self):
        found, windows = both(
            readings([(0, 1_000_000_000), (60, 2_000_000_000)]), Facts(speed_bps=GIGABIT, counter_bits=32), count=2
        )

        assert found.status[1, EGRESS] == Status.AMBIGUOUS
        assert (windows.coverage[0] == 0).all()
        assert np.isnan(windows.utilisation[0]).all()


class TestRestart:
    def test_never_becomes_traffic(self):
        rows = [
            {"at": 0, "out_octets": 812_000_000_000, "uptime": 8_640_000},
            {"at": 30, "out_octets": 4_500_000, "uptime": 1_200},
            {"at": 60, "out_octets": 304_500_000, "uptime": 4_200},
        ]
        _, windows = both(rows, count=2)

        assert np.isnan(windows.utilisation[0, 0, EGRESS])
        assert windows.utilisation[0, 1, EGRESS] == pytest.approx(0.08)


class TestUptime:
    def test_that_came_round_is_a_steady_80_percent(self):
        rows = [
            {"at": 0, "out_octets": 9_000_000_000_000, "uptime": 4_294_966_000},
            {"at": 30, "out_octets": 9_003_000_000_000, "uptime": 1_704},
        ]
        found, windows = both(rows)

        assert found.flags[1, EGRESS] == Flag.UPTIME_ROLLOVER
        assert windows.utilisation[0, 0, EGRESS] == 0.8

    @pytest.mark.parametrize("wall", [55, 10])
    def test_outlives_a_step_of_the_clock(self, wall):
        rows = [
            {"at": 0, "out_octets": 0, "uptime": 1_000, "received": 0},
            {"at": wall, "out_octets": 3_000_000_000, "uptime": 4_000, "received": 30},
        ]

        assert both(rows)[1].utilisation[0, 0, EGRESS] == 0.8

    def test_measures_the_rate_to_a_hundredth_of_a_point(self):
        # A poll that took 300 ms longer than its stamps say: 80 % of 30.3 s.
        rows = [
            {"at": 0, "out_octets": 0, "uptime": 1_000},
            {"at": 30, "out_octets": 3_030_000_000, "uptime": 4_030},
        ]

        assert both(rows)[1].utilisation[0, 0, EGRESS] == pytest.approx(0.8, abs=1e-4)


class TestHole:
    def test_of_ten_minutes_keeps_its_volume_and_gives_no_window(self):
        found, windows = both(readings([(0, 0), (600, 57_000_000_000)]), count=20)
        mean = 8 * found.octets[1, EGRESS] / ((found.end_ms[1] - found.start_ms[1]) / 1000 * GIGABIT)

        assert found.status[1, EGRESS] == Status.COARSE
        assert mean == pytest.approx(0.76)
        assert (windows.why_not[0, :, EGRESS] == WhyNot.NO_DATA).all()


class TestRenumberedPorts:
    def test_keep_their_counters_by_name_and_address(self):
        # Indexes 3 and 4 swap at a restart of the agent; up1 and up2 are told apart by name before this.
        rows = readings([(0, 8_000_000_000_000), (30, 8_003_000_000_000)], [(0, 1_000_000_000), (30, 1_000_500_000)])
        found, windows = both(rows, Facts(speed_bps=GIGABIT, mac=0x02_00_5E_00_53_01))

        assert found.octets[[1, 3], EGRESS].tolist() == [3_000_000_000, 500_000]
        assert windows.utilisation[0, 0, EGRESS] == 0.8

    def test_that_were_taken_for_each_other_are_found_out_by_their_address(self):
        rows = readings([(0, 8_000_000_000_000), (30, 1_000_500_000)])
        rows[1]["facts"] = 1
        found, _ = both(rows, Facts(speed_bps=GIGABIT, mac=1), Facts(speed_bps=GIGABIT, mac=2), ports=1)

        assert found.status[1, EGRESS] == Status.IDENTITY_CHANGED


class TestUnequalMembers:
    def test_are_measured_by_their_own_speed(self):
        rows = readings([(0, 0), (30, 3_487_500_000)], [(0, 0), (30, 3_825_000_000)])
        for row in rows[2:]:
            row["facts"] = 1
        _, windows = both(rows, Facts(speed_bps=GIGABIT), Facts(speed_bps=10 * GIGABIT))
        found = measures(windows)

        assert windows.utilisation[:, 0, EGRESS].tolist() == pytest.approx([0.93, 0.102])
        assert found.even_split[0, 0, EGRESS] == pytest.approx(0.1773, abs=5e-5)
        assert found.imbalance[0, 0, EGRESS] == pytest.approx(0.753, abs=5e-4)
