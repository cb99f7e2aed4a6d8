import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import TooFewPorts
from service.numerics import teams

NAN = float("nan")
G = 1e9
FEW = settings(max_examples=60, deadline=None)
utilisations = st.lists(st.floats(0, 1.02), min_size=2, max_size=8).map(np.array)


class TestEvenSplit:
    def test_weighs_members_by_speed(self):
        # The mean of percentages would say 51.6 %.
        assert teams.even_split(np.array([0.93, 0.102]), [G, 10 * G]) == pytest.approx(0.1773, abs=5e-5)

    def test_leaves_out_who_does_not_count(self):
        assert teams.even_split(np.array([0.83, 0.82, NAN, 0.84]), G) == pytest.approx(0.83)

    def test_is_unknown_where_nobody_counts(self):
        assert np.isnan(teams.even_split(np.array([NAN, NAN]), G))


class TestImbalance:
    @pytest.mark.parametrize(
        ("u", "speeds", "points"),
        [
            ([0.92, 0.08], G, 0.42),
            ([3e-6, 0.0], G, 1.5e-6),
            ([0.6, 0.4], G, 0.1),
            ([0.93, 0.102], [G, 10 * G], 0.7527),
            ([0.97, 0.96, 0.95, 0.18], G, 0.585),
        ],
    )
    def test_is_absolute(self, u, speeds, points):
        assert teams.imbalance(np.array(u), speeds) == pytest.approx(points, abs=5e-5)

    @FEW
    @given(utilisations)
    def test_lies_between_nothing_and_the_spread(self, u):
        assert -1e-12 <= teams.imbalance(u, G) <= teams.spread(u) + 1e-12

    @FEW
    @given(utilisations)
    def test_is_at_least_the_excess(self, u):
        assert teams.imbalance(u, G) >= teams.excess(u, G) - 1e-12

    def test_of_one_member_is_nothing(self):
        assert teams.imbalance(np.array([0.9, NAN]), G) == 0


class TestShares:
    def test_add_up_to_one(self):
        shares = teams.shares(np.array([0.92, NAN, 0.08]), G)

        assert shares.tolist() == pytest.approx([0.92, NAN, 0.08], nan_ok=True)

    def test_are_unknown_where_nothing_is_carried(self):
        assert np.isnan(teams.shares(np.array([0.0, 0.0]), G)).all()
        assert np.isnan(teams.busiest_share(np.array([0.0, 0.0]), G))

    def test_do_not_change_with_the_load(self):
        # Before 820/840/830/810 beside 110/90/100/120 Mbit/s, after a tenth of each: 88.7 % both times.
        before = teams.busiest_share(np.array([0.825, 0.105]), G)
        after = teams.busiest_share(np.array([0.0825, 0.0105]), G)

        assert before == pytest.approx(0.8871, abs=5e-5)
        assert after == pytest.approx(before)

    def test_say_that_it_evened_out(self):
        assert teams.busiest_share(np.array([0.9325, 0.9125]), G) == pytest.approx(0.5054, abs=5e-5)


class TestBusiest:
    def test_is_a_position_and_its_utilisation(self):
        position, highest = teams.busiest(np.array([[0.1, NAN, 0.9], [NAN, NAN, NAN]]))

        assert position.tolist() == [2, -1]
        assert highest.tolist() == pytest.approx([0.9, NAN], nan_ok=True)


class TestCapacity:
    @pytest.mark.parametrize(
        ("shares", "usable", "stranded"), [((0.7, 0.3), 14.29, 5.71), ((0.6, 0.4), 16.67, 3.33), ((0.5, 0.5), 20, 0)]
    )
    def test_that_is_usable_ends_where_the_first_member_fills(self, shares, usable, stranded):
        u = np.array(shares) / 2

        assert teams.usable(u, 10 * G) / G == pytest.approx(usable, abs=5e-3)
        assert teams.stranded(u, 10 * G) / G == pytest.approx(stranded, abs=5e-3)

    def test_of_a_team_of_two_speeds_is_judged_by_each_members_own(self):
        # 1 G with nine tenths of the load fills first, at 1 G / 0.9.
        assert teams.usable(np.array([0.9, 0.01]), [G, 10 * G]) / G == pytest.approx(1 / 0.9, abs=1e-9)

    def test_in_equal_parts_is_bounded_by_the_slowest(self):
        assert teams.equal_spread_capacity(np.array([0.93, 0.102]), [G, 10 * G]) == 2 * G

    def test_left_on_siblings_ends_at_the_hot_line(self):
        assert teams.room(np.array([0.92, 0.08]), G) / 1e6 == pytest.approx(670)

    def test_with_one_lost_can_be_more_than_there_is(self):
        assert teams.one_lost(np.array([0.6, 0.6]), 10 * G) == pytest.approx(1.2)

    def test_with_one_lost_of_one_is_endless(self):
        assert np.isinf(teams.one_lost(np.array([0.5, NAN]), G))

    def test_of_members_only(self):
        # 900 and 100 beside an aggregate of 1,003 Mbit/s: the aggregate is no member, and agrees within 2 %.
        total = teams.total(np.array([0.9, 0.1, NAN]), G)

        assert total / 1e6 == pytest.approx(1000)
        assert abs(1003e6 - total) / total == pytest.approx(0.003)


class TestEffectiveLinks:
    @FEW
    @given(st.integers(1, 8))
    def test_are_as_many_as_share_equally(self, busy):
        u = np.array([0.4] * busy + [0.0] * (8 - busy))

        assert teams.effective_links(u, G) == pytest.approx(busy)


class TestFairness:
    @pytest.mark.parametrize(
        ("rates", "index"), [([930, 1020], 0.998), ([3, 0], 0.5), ([92, 8], 0.586), ([60, 40], 0.962)]
    )
    def test_describes_and_does_not_rank(self, rates, index):
        assert teams.fairness(np.array(rates, dtype=float)) == pytest.approx(index, abs=5e-4)

    def test_refuses_a_team_of_one(self):
        with pytest.raises(TooFewPorts):
            teams.fairness(np.array([1.0]))

    def test_is_unknown_when_the_team_is_silent(self):
        assert np.isnan(teams.fairness(np.array([0.0, 0.0])))


class TestTeamMeasures:
    def test_are_all_of_the_teams_shape(self):
        u = np.array([[[0.7845, 0.08, NAN]] * 2] * 3)
        found = teams.team_measures(u, np.full(u.shape, G), np.full(u.shape[:-1], 0.75))

        assert {figure.shape for figure in found} == {(3, 2)}
        assert found.even_split[0, 0] == pytest.approx(0.4323, abs=5e-5)
        assert found.eligible[0, 0] == 2

    @FEW
    @given(utilisations, st.integers(0, 2**8))
    def test_are_what_each_measure_says(self, u, out):
        u[[k for k in range(len(u)) if out >> k & 1]] = NAN
        speeds = np.arange(1, len(u) + 1) * G
        found = teams.team_measures(u, speeds)
        each = {
            "even_split": teams.even_split(u, speeds),
            "imbalance": teams.imbalance(u, speeds),
            "busiest_share": teams.busiest_share(u, speeds),
            "total_bps": teams.total(u, speeds),
            "usable_bps": teams.usable(u, speeds),
            "stranded_bps": teams.stranded(u, speeds),
            "room_bps": teams.room(u, speeds),
            "one_lost": teams.one_lost(u, speeds),
        }

        for name, figure in each.items():
            assert getattr(found, name) == pytest.approx(figure, rel=1e-9, abs=1e-9, nan_ok=True), name

    def test_count_no_member_without_a_speed(self):
        assert teams.team_measures(np.array([0.5, 0.5]), [G, 0]).eligible == 1


class TestByMember:
    def test_pads_teams_with_what_is_missing(self):
        figures = np.arange(6.0).reshape(3, 2)
        found = teams.by_member(figures, np.array([[2, 0], [1, -1]]))

        assert found.shape == (2, 2, 2)
        assert found[0].tolist() == [[4, 0], [5, 1]]
        assert np.isnan(found[1, :, 1]).all()
