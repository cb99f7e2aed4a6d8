import numpy as np
import pytest
from examples import GIGABIT, facts_of, samples_of
from hypothesis import given, settings
from hypothesis import strategies as st

from service.numerics.intervals import intervals
from service.numerics.windows import member_windows, without_doubtful
from service.terms import EGRESS, INGRESS, Basis, Facts, Mark, OperStatus, Role, Span, WhyNot

UP = Facts(speed_bps=GIGABIT, oper=OperStatus.UP)
DOWN = Facts(speed_bps=GIGABIT, oper=OperStatus.DOWN)
FULL_WINDOW = 3_750_000_000  # octets at 1 Gbit/s in 30 s
FEW = settings(max_examples=40, deadline=None)


def counted(*points, **more):
    """Samples of one port from (seconds, octets out)."""
    return [{"at": at, "out_octets": octets, **more} for at, octets in points]


def windows(rows, *facts, count=1, ports=1, **told):
    return member_windows(
        intervals(samples_of(rows), facts_of(*facts)), facts_of(*facts), ports, Span(0, count), **told
    )


def egress(rows, *facts, **told):
    """Utilisations of the first port, egress."""
    return windows(rows, *facts, **told).utilisation[0, :, EGRESS]


class TestUtilisation:
    def test_is_exactly_the_line_when_the_load_is(self):
        # Polls on the edge, off the edge, and in odd pieces: 75 % stays 75 % to within one octet at 1.6 Tbit/s.
        edge = egress(counted((0, 0), (30, FULL_WINDOW * 3 // 4)))
        astride = egress(counted((-10, 0), (20, 2_812_500_000), (50, 5_625_000_000)))
        odd = egress(counted((-7, 0), (4, 1_031_250_000), (17, 2_250_000_000), (31, 3_562_500_000)))

        assert edge[0] == 0.75
        assert abs(astride[0] - 0.75) < 1e-14
        assert abs(odd[0] - 0.75) < 1e-14

    def test_tells_one_octet_over_the_line_at_the_fastest_speed(self):
        fast = Facts(speed_bps=1_600_000_000_000)

        assert egress(counted((0, 0), (30, 4_500_000_000_000)), fast)[0] == 0.75
        assert egress(counted((0, 0), (30, 4_500_000_000_001)), fast)[0] > 0.75 + 1e-14

    def test_divides_by_covered_seconds_only(self):
        found = windows(counted((0, 0), (24, 2_400_000_000)))

        assert found.utilisation[0, 0, EGRESS] == pytest.approx(0.8, abs=1e-15)
        assert found.coverage[0, 0, EGRESS] == pytest.approx(0.8)
        assert found.why_not[0, 0, EGRESS] == WhyNot.ELIGIBLE

    def test_is_shown_but_not_used_from_half_a_window(self):
        found = windows(counted((0, 0), (20, 2_000_000_000)))

        assert found.coverage[0, 0, EGRESS] == pytest.approx(2 / 3)
        assert found.utilisation[0, 0, EGRESS] == pytest.approx(0.8)
        assert found.why_not[0, 0, EGRESS] == WhyNot.PARTIAL

    @pytest.mark.parametrize(("seconds", "known"), [(14.9, False), (15, True), (15.1, True)])
    def test_is_unknown_below_half_a_window(self, seconds, known):
        found = windows(counted((0, 0), (seconds, 1_000_000_000)))

        assert np.isnan(found.utilisation[0, 0, EGRESS]) != known
        assert (found.why_not[0, 0, EGRESS] == WhyNot.NO_DATA) != known

    @pytest.mark.parametrize(("seconds", "reason"), [(23.9, WhyNot.PARTIAL), (24, WhyNot.ELIGIBLE)])
    def test_is_evaluable_from_the_coverage_asked_for(self, seconds, reason):
        assert windows(counted((0, 0), (seconds, 1_000_000))).why_not[0, 0, EGRESS] == reason

    def test_is_unknown_without_samples_and_not_zero(self):
        found = windows(counted((0, 0), (30, 0)), ports=2)

        assert found.utilisation[0, 0, EGRESS] == 0
        assert np.isnan(found.utilisation[0, 0, INGRESS])
        assert np.isnan(found.utilisation[1]).all()
        assert found.why_not[1].tolist() == [[WhyNot.NO_DATA, WhyNot.NO_DATA]]

    def test_is_unknown_without_a_speed(self):
        found = windows(counted((0, 0), (30, 5)), Facts())

        assert np.isnan(found.utilisation[0, 0, EGRESS])
        assert found.why_not[0, 0, EGRESS] == WhyNot.SPEED_UNKNOWN

    def test_is_not_clamped(self):
        assert egress(counted((0, 0), (30, FULL_WINDOW + 50_000_000)))[0] > 1.01

    def test_leaves_coarse_intervals_out(self):
        found = windows(counted((0, 0), (600, 57_000_000_000)), count=20)

        assert np.isnan(found.utilisation[..., EGRESS]).all()
        assert (found.coverage[..., EGRESS] == 0).all()

    def test_keeps_directions_apart_on_full_duplex(self):
        rows = [
            {"at": 0, "out_octets": 0, "in_octets": 0},
            {"at": 30, "out_octets": 3_382_500_000, "in_octets": 153_750_000},
        ]

        assert windows(rows).utilisation[0, 0].tolist() == pytest.approx([0.902, 0.041])

    def test_shows_the_shared_medium_in_both_directions_on_half_duplex(self):
        # 100 Mbit/s, 30 in and 48 out.
        rows = [
            {"at": 0, "out_octets": 0, "in_octets": 0},
            {"at": 30, "out_octets": 180_000_000, "in_octets": 112_500_000},
        ]
        found = windows(rows, Facts(speed_bps=100_000_000, half_duplex=True))

        assert found.utilisation[0, 0].tolist() == pytest.approx([0.78, 0.78])
        assert found.marks[0, 0] & Mark.SHARED

    def test_does_not_know_a_shared_medium_of_which_one_direction_is_missing(self):
        found = windows(counted((0, 0), (30, 5)), Facts(speed_bps=GIGABIT, half_duplex=True))

        assert np.isnan(found.utilisation[0, 0]).all()
        assert found.why_not[0, 0].tolist() == [WhyNot.NO_DATA, WhyNot.NO_DATA]


class TestWire:
    def rows(self, octets, packets):
        return [{"at": 0, "out_octets": 0, "out_packets": 0}, {"at": 30, "out_octets": octets, "out_packets": packets}]

    def test_adds_what_every_frame_takes_besides_its_octets(self):
        found = windows(self.rows(2_400_000_000, 37_500_000))

        assert found.utilisation[0, 0, EGRESS] == 0.84
        assert found.basis[0, 0, EGRESS] == Basis.WIRE
        assert egress(counted((0, 0), (30, 2_400_000_000)))[0] == 0.64

    @pytest.mark.parametrize(("counts", "added"), [(0, 20), (1, 24), (2, 38)])
    def test_adds_more_where_the_source_counts_less(self, counts, added):
        found = windows(self.rows(1_000_000, 1_000), Facts(speed_bps=GIGABIT, counts=counts))

        assert found.utilisation[0, 0, EGRESS] == pytest.approx(8 * (1_000_000 + added * 1_000) / 30e9)

    def test_is_inferred_where_packets_were_merged(self):
        # 3e9 octets in 60,000 "packets" of 1 G, MTU 1,500, no check sequence counted: 81.27 %, not 80.03 %.
        found = windows(self.rows(3_000_000_000, 60_000), Facts(speed_bps=GIGABIT, counts=1, mtu=1500))

        assert found.utilisation[0, 0, EGRESS] == pytest.approx(0.8127, abs=5e-5)
        assert found.basis[0, 0, EGRESS] == Basis.INFERRED
        assert found.marks[0, 0] & Mark.MERGED_PACKETS

    def test_is_left_for_the_whole_window_when_one_interval_has_no_frames(self):
        rows = [*self.rows(1_000_000_000, 1_000_000), {"at": 31, "out_octets": 1_100_000_000}]
        rows[1]["at"] = 15
        found = windows(rows)

        assert found.basis[0, 0, EGRESS] == Basis.COUNTED
        assert np.isnan(found.packets[0, 0, EGRESS])


class TestBounds:
    def test_hold_what_a_straddling_interval_may_hide(self):
        # 1,875,000,000 octets in -15 to 15 s at 1 Gbit/s: all of them, or none, fell after 0.
        found = windows(counted((-15, 0), (15, 1_875_000_000)))

        assert (found.lower[0, 0, EGRESS], found.upper[0, 0, EGRESS]) == (0.0, 1.0)

    def test_mark_a_value_uncertain_when_the_line_lies_well_inside(self):
        found = windows(counted((0, 0), (20, 1_900_000_000), (40, 2_900_000_000)))

        assert found.utilisation[0, 0, EGRESS] == pytest.approx(0.64)
        assert found.lower[0, 0, EGRESS] == pytest.approx(0.5067, abs=5e-5)
        assert found.upper[0, 0, EGRESS] == pytest.approx(0.7733, abs=5e-5)
        assert found.marks[0, 0] & Mark.UNCERTAIN_EGRESS

    def test_leave_short_intervals_alone(self):
        rows = counted((-5, 0), (5, 900_000_000), (15, 1_800_000_000), (25, 2_700_000_000), (35, 3_600_000_000))

        assert not windows(rows).marks[0, 0] & Mark.UNCERTAIN_EGRESS

    @FEW
    @given(st.lists(st.tuples(st.integers(1, 40), st.integers(0, 100)), min_size=1, max_size=8), st.integers(0, 29))
    def test_enclose_the_value(self, steps, start):
        at, octets = start, 0
        rows = counted((at, 0))
        for seconds, percent in steps:
            at, octets = at + seconds, octets + seconds * percent * 1_250_000
            rows += counted((at, octets))
        found = windows(rows, count=12)
        shown = ~np.isnan(found.utilisation)

        assert (found.lower[shown] <= found.utilisation[shown] + 1e-6).all()
        assert (found.upper[shown] >= found.utilisation[shown] - 1e-6).all()


class TestReasons:
    @pytest.mark.parametrize(
        ("facts", "reason", "mark"),
        [
            (Facts(speed_bps=GIGABIT, role=Role.STANDBY), WhyNot.STANDBY, Mark.STANDBY),
            (Facts(speed_bps=GIGABIT, role=Role.OUT), WhyNot.OUT, Mark.OUT),
            (DOWN, WhyNot.DOWN, Mark.DOWN),
            (Facts(speed_bps=GIGABIT, oper=OperStatus.DORMANT), WhyNot.DOWN, Mark.DOWN),
            (Facts(speed_bps=GIGABIT, oper=OperStatus.UNKNOWN), WhyNot.DOWN, Mark.DOWN),
            (Facts(speed_bps=GIGABIT), WhyNot.ELIGIBLE, Mark.NONE),
        ],
    )
    def test_name_what_a_member_is(self, facts, reason, mark):
        found = windows(counted((0, 0), (30, 0)), facts)

        assert found.why_not[0, 0, EGRESS] == reason
        assert found.marks[0, 0] == mark

    @pytest.mark.parametrize("states", [(0, 1), (1, 0)])
    def test_call_a_window_with_both_states_a_flap(self, states):
        rows = counted((0, 0), (30, 0), (60, 0))
        for row, state in zip(rows, (states[0], states[1], states[1]), strict=True):
            row["facts"] = state
        found = windows(rows, UP, DOWN, count=2)

        assert found.why_not[0, 0, EGRESS] == WhyNot.FLAP
        assert found.why_not[0, 1, EGRESS] == (WhyNot.DOWN if states[1] else WhyNot.ELIGIBLE)

    def test_find_a_flap_between_two_polls_by_the_last_change(self):
        # Up at both polls, but changed 12 s into the window.
        rows = counted((0, 0), (30, 300_000_000))
        rows[0]["uptime"], rows[1]["uptime"] = 10_000, 13_000
        rows[1]["facts"] = 1
        changed = Facts(speed_bps=GIGABIT, oper=OperStatus.UP, last_change_ticks=11_200)

        assert windows(rows, UP, changed).why_not[0, 0, EGRESS] == WhyNot.FLAP

    def test_know_a_port_that_is_down_without_any_interval(self):
        assert windows([{"at": 10, "out_octets": 0, "facts": 1}], UP, DOWN).why_not[0, 0, EGRESS] == WhyNot.DOWN

    def test_set_a_window_of_two_speeds_aside_but_value_it(self):
        rows = counted((0, 0), (30, 1_875_000_000))
        rows[1]["facts"] = 1
        found = windows(rows, UP, Facts(speed_bps=10 * GIGABIT))

        assert found.why_not[0, 0, EGRESS] == WhyNot.SPEED_CHANGED
        assert found.utilisation[0, 0, EGRESS] == pytest.approx(0.05)
        assert (found.lower[0, 0, EGRESS], found.upper[0, 0, EGRESS]) == (pytest.approx(0.05), pytest.approx(0.5))

    def test_let_each_speed_count_for_its_own_time_when_the_moment_is_known(self):
        rows = counted((0, 0), (30, 1_875_000_000))
        rows[0]["uptime"], rows[1]["uptime"] = 10_000, 13_000
        rows[1]["facts"] = 1
        found = windows(rows, UP, Facts(speed_bps=10 * GIGABIT, last_change_ticks=12_000))

        # 20 s at 1 G and 10 s at 10 G could have carried 15 GB.
        assert found.utilisation[0, 0, EGRESS] == pytest.approx(0.125)


class TestFigures:
    def test_count_a_second(self):
        counters = ("out_octets", "out_packets", "out_bcast_packets", "out_discards", "out_errors")
        after = (3_652_308_000, 2_406_000, 30, 481, 3)
        rows = [{"at": 0, **dict.fromkeys(counters, 0)}, {"at": 30, **dict(zip(counters, after, strict=True))}]
        found = windows(rows)

        assert found.packets[0, 0, EGRESS] == 80_200
        assert found.bcast[0, 0, EGRESS] == 1
        assert found.errors[0, 0, EGRESS] == pytest.approx(0.1)
        assert found.discard_ratio[0, 0, EGRESS] == pytest.approx(481 / 2_406_481)
        assert np.isnan(found.mcast[0, 0, EGRESS])

    def test_know_that_nothing_was_dropped_of_nothing(self):
        rows = [{"at": at, "out_octets": 0, "out_packets": 0, "out_discards": 0} for at in (0, 30)]

        assert windows(rows).discard_ratio[0, 0, EGRESS] == 0


class TestDoubtful:
    def test_takes_the_percentage_away_and_says_why(self):
        found = windows(counted((0, 0), (30, 5)))
        doubted = without_doubtful(found, np.array([True]))

        assert np.isnan(doubted.utilisation[0, 0, EGRESS])
        assert doubted.why_not[0, 0].tolist() == [WhyNot.SPEED_DOUBTFUL, WhyNot.NO_DATA]
        assert doubted.marks[0, 0] & Mark.SPEED_DOUBTFUL
        assert without_doubtful(found, np.array([False])) is found


@st.composite
def loads(draw):
    """One port's polls at odd times: (seconds, octets out), never above 1 Gbit/s."""
    at, octets = draw(st.integers(-40, 40)), 0
    points = [(at, 0)]
    for _ in range(draw(st.integers(1, 12))):
        seconds = draw(st.integers(1, 60))
        at, octets = at + seconds, octets + draw(st.integers(0, seconds * 125_000_000))
        points.append((at, octets))
    return points


class TestConservation:
    @FEW
    @given(loads())
    def test_every_octet_of_an_interval_falls_into_some_window(self, points):
        span = Span(-60_000, 40)
        rows, facts = samples_of(counted(*points)), facts_of()
        found = member_windows(intervals(rows, facts), facts, 1, span, coverage_min=0.0)
        covered_s = found.coverage[0, :, EGRESS].astype(float) * 30
        shown = ~np.isnan(found.utilisation[0, :, EGRESS])
        in_windows = (found.utilisation[0, shown, EGRESS] * covered_s[shown] * GIGABIT / 8).sum()
        hidden = covered_s[~shown].sum() * GIGABIT / 8

        assert in_windows <= points[-1][1] * (1 + 1e-6) + 1
        assert in_windows + hidden >= points[-1][1] * (1 - 1e-6) - 1

    @FEW
    @given(loads(), st.randoms(use_true_random=False))
    def test_the_order_of_ports_and_pieces_of_the_span_make_no_difference(self, points, random):
        cut = random.randrange(1, 19)
        rows, facts = intervals(samples_of(counted(*points)), facts_of()), facts_of()

        def found(first, count):
            return member_windows(rows, facts, 1, Span(first * 30_000, count)).utilisation

        whole = found(-2, 20)

        assert np.array_equal(np.concatenate([found(-2, cut), found(cut - 2, 20 - cut)], axis=1), whole, equal_nan=True)
