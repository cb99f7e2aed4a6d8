"""The table of kinds, row by row, just under, at and just over each line.

The even split and the imbalance are RFC 7424 section 5.1's; the lines are this project's.
"""

from __future__ import annotations

import numpy as np
import pytest
from examples import EPOCH_MS, GIGABIT, a_layout
from hypothesis import given, settings
from hypothesis import strategies as st

from service.numerics.teams import by_member, team_measures
from service.rules import judging
from service.rules.kinds import team_windows
from service.rules.table import rule_table
from service.terms import (
    MISSING_DATA,
    Basis,
    Kind,
    Mark,
    MemberWindows,
    Rule,
    Span,
    WhyNot,
)


def member_windows(utilisation, *, why=None, speeds=None, discards=None, marks=None, basis=Basis.WIRE) -> MemberWindows:
    """One window of some ports, the same in both directions; a member without a figure has no data."""
    count = len(utilisation)
    u = np.array([np.nan if value is None else value for value in utilisation], dtype=np.float64)
    reasons = [WhyNot.NO_DATA if value is None else WhyNot.ELIGIBLE for value in utilisation] if why is None else why

    def both(values, kind):
        return np.repeat(np.array(values, dtype=kind).reshape(count, 1, 1), 2, axis=2)

    return MemberWindows(
        span=Span(EPOCH_MS, 1),
        utilisation=both(u, np.float64),
        lower=both(u, np.float32),
        upper=both(u, np.float32),
        coverage=both([1] * count, np.float32),
        basis=both([basis] * count, np.uint8),
        discard_ratio=both([np.nan] * count if discards is None else discards, np.float32),
        packets=both([np.nan] * count, np.float32),
        mcast=both([np.nan] * count, np.float32),
        bcast=both([np.nan] * count, np.float32),
        errors=both([np.nan] * count, np.float32),
        speed_bps=np.array(speeds or [GIGABIT] * count, dtype=np.int64).reshape(count, 1),
        marks=np.array(marks or [0] * count, dtype=np.uint16).reshape(count, 1),
        why_not=both(reasons, np.uint8),
    )


def judged(utilisation, *, rule=None, **more):
    """The team windows of one team."""
    layout = a_layout(len(utilisation))
    table = rule_table((rule or Rule(),), layout.teams, 30_000)
    return team_windows(member_windows(utilisation, **more), layout, table)


def kind_of(utilisation, **more):
    return Kind(int(judged(utilisation, **more).kind[0, 0, 0]))


class TestKind:
    @pytest.mark.parametrize(
        ("utilisation", "kind"),
        [
            ([0.10, 0.05], Kind.NONE),
            ([0.76], Kind.HOT_NO_SIBLING),
            ([0.76, 0.05], Kind.UNEVEN),
            ([0.97, 0.96, 0.95, 0.18], Kind.UNEVEN_AND_FULL),
            ([0.76, 0.77], Kind.FULL),
            ([0.92, 0.35], Kind.SKEWED),
            ([0.80, 0.58], Kind.NONE),
        ],
    )
    def test_is_that_of_the_table(self, utilisation, kind):
        assert kind_of(utilisation) == kind

    @pytest.mark.parametrize(("hot", "kind"), [(0.7499, Kind.NONE), (0.75, Kind.NONE), (0.7501, Kind.UNEVEN)])
    def test_wants_a_member_strictly_above_the_hot_line(self, hot, kind):
        assert kind_of([hot, 0.05]) == kind

    def test_sees_one_octet_more_than_the_hot_line_on_the_fastest_wire(self):
        # At 1.6 Tbit/s three quarters of 30 s are 4.5e12 octets.
        line, speed = 4_500_000_000_000, 1_600_000_000_000

        at, over = (8 * octets / (speed * 30) for octets in (line, line + 1))

        assert kind_of([at, 0.05], speeds=[speed] * 2) == Kind.NONE
        assert kind_of([over, 0.05], speeds=[speed] * 2) == Kind.UNEVEN

    @pytest.mark.parametrize(("idle", "kind"), [(0.2999, Kind.UNEVEN), (0.30, Kind.SKEWED), (0.3001, Kind.SKEWED)])
    def test_wants_a_sibling_strictly_below_the_idle_line(self, idle, kind):
        assert kind_of([0.92, idle]) == kind

    @pytest.mark.parametrize(
        ("third", "kind"),
        # Beside 90 and 25 % the even split of three is (115 + x) / 3: 70 % at x = 95.
        [(0.949, Kind.UNEVEN), (0.95, Kind.UNEVEN), (0.951, Kind.UNEVEN_AND_FULL)],
    )
    def test_is_full_as_well_when_the_even_split_is_above_the_clear_line(self, third, kind):
        assert kind_of([0.90, 0.25, third]) == kind

    @pytest.mark.parametrize(
        ("sibling", "kind"),
        [(0.459, Kind.SKEWED), (0.46, Kind.SKEWED), (0.461, Kind.FULL)],
    )
    def test_is_full_without_an_idle_sibling_when_the_even_split_is_above_the_clear_line(self, sibling, kind):
        assert kind_of([0.94, sibling]) == kind

    @pytest.mark.parametrize(
        ("sibling", "kind"),
        # Beside 80 % the imbalance of two is half the gap: 15 points at 50 %.
        [(0.499, Kind.SKEWED), (0.50, Kind.SKEWED), (0.501, Kind.NONE)],
    )
    def test_is_skewed_from_fifteen_points_of_imbalance(self, sibling, kind):
        assert kind_of([0.80, sibling]) == kind

    def test_follows_the_rule_of_the_team(self):
        assert kind_of([0.80, 0.05], rule=Rule(hot_above=0.8)) == Kind.NONE
        assert kind_of([0.80, 0.35], rule=Rule(idle_below=0.4)) == Kind.UNEVEN

    def test_weighs_members_by_speed(self):
        # 930 Mbit/s of 1 G beside 1.02 Gbit/s of 10 G: RFC 7424's mean weighted by speed is 17.73 %.
        windows = judged([0.93, 0.102], speeds=[GIGABIT, 10 * GIGABIT])

        assert windows.kind[0, 0, 0] == Kind.UNEVEN
        assert windows.even_split[0, 0, 0] == pytest.approx(0.17727, abs=5e-6)

    def test_is_none_for_an_idle_team_whatever_its_ratio(self):
        assert kind_of([3e-6, 0.0]) == Kind.NONE


class TestSiblings:
    @pytest.mark.parametrize("why", [WhyNot.STANDBY, WhyNot.OUT, WhyNot.BROKEN, WhyNot.MAINTENANCE, WhyNot.FLAP])
    def test_that_take_no_load_are_none(self, why):
        assert kind_of([0.82, 0.0002], why=[WhyNot.ELIGIBLE, why]) == Kind.HOT_NO_SIBLING

    def test_that_are_down_are_none_and_make_the_team_degraded(self):
        why = [WhyNot.ELIGIBLE, WhyNot.ELIGIBLE, WhyNot.DOWN, WhyNot.ELIGIBLE]

        windows = judged([0.83, 0.82, 0.0, 0.84], why=why)

        assert windows.kind[0, 0, 0] == Kind.FULL
        assert windows.degraded[0, 0, 0]
        assert windows.idle[0, 0, 0] == 0
        assert windows.even_split[0, 0, 0] == pytest.approx(0.83)

    def test_that_are_down_do_not_degrade_a_team_without_a_hot_member(self):
        assert not judged([0.60, 0.0], why=[WhyNot.ELIGIBLE, WhyNot.DOWN]).degraded[0, 0, 0]

    def test_on_standby_do_not_degrade_a_team(self):
        assert not judged([0.82, 0.0], why=[WhyNot.ELIGIBLE, WhyNot.STANDBY]).degraded[0, 0, 0]


class TestUnknownMember:
    @pytest.mark.parametrize("why", MISSING_DATA)
    def test_is_not_an_idle_sibling(self, why):
        windows = judged([0.95, 0.01], why=[WhyNot.ELIGIBLE, why])

        assert not windows.evaluable[0, 0, 0]
        assert windows.kind[0, 0, 0] == Kind.NONE

    def test_leaves_a_hot_member_beside_a_known_idle_one_uneven(self):
        windows = judged([0.95, 0.05, None])

        assert windows.evaluable[0, 0, 0]
        assert windows.kind[0, 0, 0] == Kind.UNEVEN

    def test_leaves_open_whether_hot_members_are_full(self):
        assert not judged([0.95, 0.95, None]).evaluable[0, 0, 0]

    def test_makes_no_window_calm(self):
        windows = judged([0.10, 0.05, None])

        assert not windows.evaluable[0, 0, 0]
        assert not windows.calm[0, 0, 0]

    def test_leaves_open_whether_the_team_is_short_of_capacity(self):
        assert not judged([0.95, 0.05, None]).calm_full[0, 0, 0]

    def test_makes_a_team_without_any_known_member_not_evaluable(self):
        windows = judged([None, None])

        assert not windows.evaluable[0, 0, 0]
        assert windows.busiest[0, 0, 0] == -1

    levels = st.lists(st.sampled_from([0.05, 0.29, 0.30, 0.5, 0.7, 0.72, 0.75, 0.76, 0.95]), min_size=1, max_size=5)

    @settings(deadline=None)
    @given(levels, levels)
    def test_could_not_have_changed_the_family_of_an_evaluable_window(self, known, unknown):
        told = judged([*known, *([None] * len(unknown))])
        truth = judged([*known, *unknown])
        lopsided = (Kind.UNEVEN, Kind.UNEVEN_AND_FULL)

        if told.evaluable[0, 0, 0]:
            assert told.kind[0, 0, 0] in lopsided
            assert truth.kind[0, 0, 0] in lopsided


class TestCalm:
    @pytest.mark.parametrize(("busiest", "calm"), [(0.70, True), (0.7001, False), (0.76, False)])
    def test_is_a_busiest_member_at_or_below_the_clear_line(self, busiest, calm):
        assert judged([busiest, 0.05]).calm[0, 0, 0] == calm

    def test_is_a_team_without_an_idle_sibling(self):
        assert judged([0.74, 0.35]).calm[0, 0, 0]
        assert judged([0.76, 0.75]).calm[0, 0, 0]
        assert judged([0.95], why=[WhyNot.ELIGIBLE]).calm[0, 0, 0]

    def test_is_not_a_team_that_is_still_skewed(self):
        assert not judged([0.92, 0.35]).calm[0, 0, 0]

    @pytest.mark.parametrize(("sibling", "calm"), [(0.61, True), (0.62, True), (0.63, False)])
    def test_of_capacity_is_an_even_split_at_or_below_the_clear_line(self, sibling, calm):
        assert judged([0.78, sibling]).calm_full[0, 0, 0] == calm

    def test_of_the_build_is_a_team_that_is_whole_again(self):
        assert judged([0.74, 0.40]).calm_degraded[0, 0, 0]
        assert not judged([0.74, 0.0], why=[WhyNot.ELIGIBLE, WhyNot.DOWN]).calm_degraded[0, 0, 0]
        assert judged([0.60, 0.0], why=[WhyNot.ELIGIBLE, WhyNot.DOWN]).calm_degraded[0, 0, 0]

    @settings(deadline=None)
    @given(st.lists(st.floats(0, 1), min_size=1, max_size=4))
    def test_is_never_a_window_that_is_flagged(self, utilisation):
        windows = judged(utilisation)
        kind = windows.kind[0, 0, 0]

        if kind in (Kind.UNEVEN, Kind.UNEVEN_AND_FULL, Kind.SKEWED):
            assert not windows.calm[0, 0, 0]
        if kind in (Kind.FULL, Kind.HOT_NO_SIBLING):
            assert not windows.calm_full[0, 0, 0]


class TestDirections:
    def test_are_judged_each_on_its_own(self):
        # Out 90.2 and 5.5 %, in 4.1 and 88.4 %: both uneven, each with another hot member.
        members = member_windows([0.902, 0.055])
        members.utilisation[:, 0, 1] = [0.041, 0.884]
        layout = a_layout(2)

        windows = team_windows(members, layout, rule_table((Rule(),), layout.teams, 30_000))

        assert windows.kind[0, 0].tolist() == [Kind.UNEVEN, Kind.UNEVEN]
        assert windows.hot[0, 0].tolist() == [0b01, 0b10]

    def test_of_a_shared_medium_are_judged_once(self):
        windows = judged([0.78, 0.05], marks=[Mark.SHARED, Mark.SHARED])

        assert windows.evaluable[0, 0].tolist() == [True, False]


class TestDiscards:
    def test_are_the_worst_of_the_hot_members(self):
        assert judged([0.95, 0.80, 0.05], discards=[0.0, 2e-4, 0.5]).discards[0, 0, 0] == np.float32(2e-4)

    def test_are_those_of_the_busiest_member_when_none_is_hot(self):
        assert judged([0.60, 0.05], discards=[1e-6, 0.5]).discards[0, 0, 0] == np.float32(1e-6)

    def test_are_unknown_when_nobody_counts(self):
        assert np.isnan(judged([0.95, 0.05]).discards[0, 0, 0])

    def test_of_ingress_are_never_the_devices_own(self):
        # They are counted where frames are dropped, at the far-end port; RFC 2863's ifInDiscards are
        # frames that arrived and were dropped inside.
        assert np.isnan(judged([0.95, 0.05], discards=[0.1, 0.1]).discards[0, 0, 1])


teams = st.lists(
    st.lists(st.one_of(st.none(), st.floats(0, 1.1), st.just(0.0)), min_size=1, max_size=5), min_size=1, max_size=4
)


class TestMeasures:
    @settings(deadline=None)
    @given(teams, st.lists(st.sampled_from([1, 10, 25]), min_size=20, max_size=20))
    def test_are_those_of_the_readable_form(self, teams, speeds):
        layout = a_layout(*(len(team) for team in teams))
        flat = [value for team in teams for value in team]
        members = member_windows(flat, speeds=[GIGABIT * speed for speed in speeds[: len(flat)]])

        windows = team_windows(members, layout, rule_table((Rule(),) * len(teams), layout.teams, 30_000))

        speed = by_member(members.speed_bps, layout.members, 0)[:, :, np.newaxis]
        expected = team_measures(by_member(members.utilisation, layout.members), speed)
        for name in ("even_split", "imbalance", "utilisation", "busiest", "busiest_share", "total_bps", "room_bps"):
            np.testing.assert_allclose(
                getattr(windows, name), getattr(expected, name), rtol=1e-9, atol=1e-12, err_msg=name
            )
        for name in ("usable_bps", "stranded_bps", "one_lost"):
            np.testing.assert_allclose(
                getattr(windows, name), getattr(expected, name), rtol=1e-9, atol=1e-3, err_msg=name
            )

    def test_are_the_same_uncompiled(self, monkeypatch):
        teams = [[0.97, 0.96, 0.95, 0.18], [0.92, 0.05, None], [0.82], [0.8, 0.5], [0.0, 0.0]]
        layout = a_layout(*(len(team) for team in teams))
        members = member_windows([value for team in teams for value in team])
        table = rule_table((Rule(),) * len(teams), layout.teams, 30_000)
        compiled = team_windows(members, layout, table)
        for name, function in vars(judging).items():
            if hasattr(function, "py_func"):
                monkeypatch.setattr(judging, name, function.py_func)
        monkeypatch.setattr("service.rules.kinds.judge", judging.judge)

        plain = team_windows(members, layout, table)

        for name in ("kind", "hot", "idle", "evaluable", "calm", "calm_full", "even_split", "one_lost"):
            np.testing.assert_array_equal(getattr(plain, name), getattr(compiled, name), err_msg=name)
