import numpy as np
import pytest
from examples import facts_of, samples_of

from service.numerics.agreement import LIMIT, difference, mean_rates
from service.numerics.intervals import intervals
from service.terms import Counts, Facts

GIGABIT = 10**9


def rates(*rows, counts=Counts.FRAME, from_s=0, to_s=300, ports=1):
    table = facts_of(Facts(speed_bps=GIGABIT, counts=counts))
    return mean_rates(intervals(samples_of(rows), table), table, ports, from_s * 1000, to_s * 1000)


def steady(bps, step_s=30, until_s=300, port=0, from_s=0, **each_step):
    """Readings of a port that sends at one rate; other counters grow by the same a step."""
    return [
        {"at": from_s + k * step_s, "port": port, "out_octets": bps * step_s // 8 * k}
        | {name: count * k for name, count in each_step.items()}
        for k in range(until_s // step_s + 1)
    ]


class TestDifference:
    @pytest.mark.parametrize(
        ("here", "there", "share"),
        [(1000e6, 1003e6, 3 / 1003), (902e6, 899e6, 3 / 902), (0, 0, 0), (1, 0, 1), (5, 5, 0)],
    )
    def test_is_a_share_of_the_larger(self, here, there, share):
        # By hand: 900 + 100 against 1,003 differ by 0.30 %, 902 against 899 by 0.33 %.
        assert float(difference(np.float64(here), np.float64(there))) == pytest.approx(share, abs=1e-15)

    @pytest.mark.parametrize(("there", "agrees"), [(981, True), (980, True), (979, False)])
    def test_of_2_per_cent_is_the_most_that_agrees(self, there, agrees):
        assert (float(difference(np.float64(1000), np.float64(there))) <= LIMIT) is agrees

    def test_is_unknown_where_one_side_is(self):
        assert np.isnan(difference(np.float64(np.nan), np.float64(1)))


class TestMeanRates:
    def test_are_octets_over_the_time_covered(self):
        assert rates(*steady(900_000_000))[0].tolist() == pytest.approx([900e6, np.nan], nan_ok=True)

    def test_count_an_interval_over_an_edge_by_its_share(self):
        # Polled at 10, 40, ... s: of the first and the last interval 20 and 10 s lie in 20 to 320 s.
        rows = [{"at": 10 + 30 * k, "out_octets": 3_000_000 * (k if k < 10 else 13)} for k in range(12)]

        # By hand: 9 x 3,000,000 and of the first 20/30 x 3,000,000, of the last, with 12,000,000 in 30 s, 10/30.
        octets = 2_000_000 + 8 * 3_000_000 + 12_000_000 + 0
        assert rates(*rows, from_s=20, to_s=320)[0, 0] == pytest.approx(8 * octets / 300, rel=1e-9)

    @pytest.mark.parametrize(("until_s", "known"), [(300, True), (270, True), (240, False)])
    def test_need_nine_tenths_of_the_time(self, until_s, known):
        assert bool(np.isfinite(rates(*steady(900_000_000, until_s=until_s))[0, 0])) is known

    def test_add_what_the_source_leaves_out_of_each_frame(self):
        # 30 s of 81,274 frames a second, each of 4 octets less: 8 x 4 x 81,274 = 2,600,768 bit/s (by hand).
        rows = steady(900_000_000, out_packets=81_274 * 30)

        assert rates(*rows, counts=Counts.NO_FCS)[0, 0] == pytest.approx(900e6 + 2_600_768, rel=1e-9)
        assert rates(*rows)[0, 0] == pytest.approx(900e6, rel=1e-9)

    def test_are_unknown_where_nobody_told_how_many_frames_leave_something_out(self):
        assert np.isnan(rates(*steady(900_000_000), counts=Counts.NO_FCS)[0, 0])

    def test_are_each_ports_own(self):
        both = rates(*steady(900_000_000), *steady(100_000_000, port=1), ports=3)

        assert both[:, 0].tolist() == pytest.approx([900e6, 100e6, np.nan], nan_ok=True)

    def test_of_nothing_are_unknown(self):
        assert np.isnan(rates()).all()
