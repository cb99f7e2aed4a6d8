import numpy as np
import pytest
from examples import GIGABIT, facts_of, samples_of

from service.numerics.intervals import intervals
from service.numerics.speeds import believed, coarse_stamps, doubts, ends_disagree
from service.numerics.windows import member_windows, without_doubtful
from service.terms import EGRESS, Facts, Span, WhyNot

FLAT_MBPS = (941.2, 941.5, 941.4, 941.5, 941.3, 941.5)


def windows(rates_mbps, **facts):
    octets = np.cumsum([0, *(round(rate * 1e6 * 30 / 8) for rate in rates_mbps)])
    samples = samples_of([{"at": 30 * k, "out_octets": int(o), "in_octets": 0} for k, o in enumerate(octets)])
    table = facts_of(Facts(**facts))
    return member_windows(intervals(samples, table), table, 1, Span(0, len(rates_mbps)))


class TestDoubts:
    def test_arise_where_a_slower_link_would_be_full(self):
        claimed = windows(FLAT_MBPS, speed_bps=10 * GIGABIT)
        doubted = without_doubtful(claimed, doubts(claimed))

        assert doubts(claimed).tolist() == [True]
        assert np.isnan(doubted.utilisation).all()
        assert (doubted.why_not == WhyNot.SPEED_DOUBTFUL).all()

    def test_end_with_the_speed_of_the_far_end(self):
        believed_bps = believed(np.array([10 * GIGABIT]), np.array([GIGABIT]))
        found = windows(FLAT_MBPS, speed_bps=int(believed_bps[0]))

        assert doubts(found).tolist() == [False]
        assert found.utilisation[0, :, EGRESS].mean() == pytest.approx(0.9414, abs=5e-5)

    def test_need_six_windows(self):
        assert not doubts(windows(FLAT_MBPS[:5], speed_bps=10 * GIGABIT)).any()

    def test_need_a_flat_rate(self):
        assert not doubts(windows((941, 930, 950, 941, 960, 935), speed_bps=10 * GIGABIT)).any()

    @pytest.mark.parametrize(("mbps", "doubted"), [(929, False), (931, True), (994, True), (996, False)])
    def test_need_a_rate_near_a_standard_speed(self, mbps, doubted):
        assert doubts(windows((mbps,) * 6, speed_bps=10 * GIGABIT)).tolist() == [doubted]

    @pytest.mark.parametrize(("once", "doubted"), [(1019, True), (1021, False)])
    def test_are_none_about_a_link_that_carried_more_than_the_slower_one_can(self, once, doubted):
        assert doubts(windows((once, 500, *FLAT_MBPS), speed_bps=10 * GIGABIT)).tolist() == [doubted]

    def test_are_none_about_a_port_that_is_full_at_its_own_speed(self):
        assert not doubts(windows((987,) * 8, speed_bps=GIGABIT)).any()

    @pytest.mark.parametrize(("mbps", "doubted"), [(1019, False), (1021, True)])
    def test_arise_above_102_percent(self, mbps, doubted):
        # Intervals on whole seconds may be off by a second in thirty, so such an interval is not refused.
        assert doubts(windows((mbps,), speed_bps=GIGABIT)).tolist() == [doubted]

    @pytest.mark.parametrize(("share", "doubted"), [(1.0532, False), (1.0535, True)])
    def test_allow_for_a_second_where_times_are_whole_seconds(self, share, doubted):
        # 102 % and one second in thirty: 105.33 %. Polls of 15 s, whose intervals are refused above 108.7 % only.
        octets = [round(share * GIGABIT * t / 8) for t in (0, 15, 30)]
        samples = samples_of([{"at": 15 * k, "out_octets": o} for k, o in enumerate(octets)])
        table = facts_of(Facts(speed_bps=GIGABIT))
        found = member_windows(intervals(samples, table), table, 1, Span(0, 1))

        assert doubts(found).tolist() == [True]
        assert doubts(found, coarse=coarse_stamps(samples, 1)).tolist() == [doubted]

    @pytest.mark.parametrize(("speed", "doubted"), [(100_000_000, False), (GIGABIT, True)])
    def test_arise_about_half_duplex_where_there_is_none(self, speed, doubted):
        assert doubts(windows((5,), speed_bps=speed, half_duplex=True)).tolist() == [doubted]

    def test_arise_where_the_ends_of_a_cable_disagree(self):
        found = windows((5,), speed_bps=GIGABIT)

        assert doubts(found, np.array([10 * GIGABIT])).tolist() == [True]
        assert doubts(found, np.array([0])).tolist() == [False]


class TestCoarseStamps:
    @pytest.mark.parametrize(
        ("rows", "coarse"),
        [
            ([{"at": 10}, {"at": 20}], True),
            ([{"at": 10}, {"at": 20.001}], False),
            ([{"at": 10}, {"at": 20, "uptime": 100}], False),
            ([], True),
        ],
    )
    def test_are_whole_seconds_throughout_without_uptime(self, rows, coarse):
        assert coarse_stamps(samples_of(rows), 1).tolist() == [coarse]

    def test_are_told_port_by_port(self):
        samples = samples_of([{"at": 10, "port": 0}, {"at": 10.5, "port": 1}])

        assert coarse_stamps(samples, 2).tolist() == [True, False]


class TestBelieved:
    def test_prefers_the_operator_then_the_far_end(self):
        claimed, far, said = np.array([10, 10, 10]), np.array([0, 5, 5]), np.array([0, 0, 7])

        assert believed(claimed, far, said).tolist() == [10, 5, 7]


class TestEndsDisagree:
    def test_only_where_both_are_known(self):
        assert ends_disagree(np.array([1, 1, 0]), np.array([1, 2, 2])).tolist() == [False, True, False]
