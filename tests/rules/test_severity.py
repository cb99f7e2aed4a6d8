"""Severity from depth, duration and harm; the words are ITU-T X.733's, the lines this project's."""

from __future__ import annotations

import numpy as np
import pytest
from rules.team_windows import WIDTH_MS, hot, missing, team_windows

from service.rules.severity import MAJOR, MINOR, WARNING, after_hole, levels, no_depth


def last_level(windows, alone=None):
    """The level of the last window of one team in egress."""
    _, found = levels(no_depth(1), team_windows([windows]), alone)
    return int(found[0, -1, 0])


def full(windows=10, *, utilisation=0.987, discards=2e-4):
    return [hot(utilisation=utilisation, discards=discards)] * windows


class TestLevels:
    def test_are_a_warning_at_88_per_cent_for_five_minutes_without_discards(self):
        assert last_level([hot(utilisation=0.88, discards=0.0)] * 10) == WARNING

    def test_are_major_when_a_full_member_that_others_share_drops(self):
        assert last_level(full()) == MAJOR

    def test_are_minor_when_it_hurts_only_itself(self):
        assert last_level(full(), alone=np.array([[True, False]])) == MINOR

    @pytest.mark.parametrize(("windows", "level"), [(9, MINOR), (10, MAJOR), (11, MAJOR)])
    def test_are_major_from_five_minutes_on(self, windows, level):
        assert last_level(full(windows)) == level

    @pytest.mark.parametrize(("utilisation", "level"), [(0.9699, MINOR), (0.97, MAJOR), (0.9701, MAJOR)])
    def test_are_major_from_97_per_cent_on(self, utilisation, level):
        assert last_level(full(utilisation=utilisation)) == level

    @pytest.mark.parametrize(("discards", "level"), [(0.99e-4, MINOR), (1e-4, MAJOR), (1.01e-4, MAJOR)])
    def test_are_major_from_one_in_ten_thousand_discarded(self, discards, level):
        assert last_level(full(discards=discards)) == level

    @pytest.mark.parametrize(("discards", "level"), [(0.99e-6, WARNING), (1e-6, MINOR), (1.01e-6, MINOR)])
    def test_are_minor_from_one_in_a_million_discarded(self, discards, level):
        assert last_level([hot(utilisation=0.8, discards=discards)]) == level

    @pytest.mark.parametrize(("windows", "level"), [(29, WARNING), (30, MINOR)])
    def test_are_minor_after_a_quarter_of_an_hour_above_90_per_cent(self, windows, level):
        assert last_level([hot(utilisation=0.9001, discards=0.0)] * windows) == level

    def test_are_a_warning_at_90_per_cent_however_long(self):
        assert last_level([hot(utilisation=0.90)] * 100) == WARNING

    def test_are_a_warning_where_nobody_counts_discards(self):
        assert last_level(full(discards=np.nan)) == WARNING

    def test_look_past_a_missing_window(self):
        assert last_level([*full(5), missing(), *full(5)]) == MAJOR

    def test_start_anew_after_a_hole_of_two_minutes(self):
        assert last_level([*full(9), *[missing()] * 3, *full(1)]) == MAJOR
        assert last_level([*full(9), *[missing()] * 4, *full(1)]) == MINOR

    def test_start_anew_after_a_window_below(self):
        assert last_level([*full(9), hot(utilisation=0.8), *full(1)]) == MINOR

    def test_are_the_same_over_a_hole_between_runs(self):
        depth, _ = levels(no_depth(1), team_windows([full(9)]))

        for windows, level in ((3, MAJOR), (4, MINOR)):
            _, found = levels(after_hole(depth, windows, WIDTH_MS), team_windows([full(1)]))
            assert found[0, 0, 0] == level

    def test_leave_the_depth_that_they_set_out_from(self):
        depth, _ = levels(no_depth(1), team_windows([full(9)]))
        kept = [column.tolist() for column in depth]

        levels(depth, team_windows([full(9)]))

        assert [column.tolist() for column in depth] == kept

    def test_give_the_teams_in_one_run_what_each_gives_alone(self):
        several = [full(11), [hot(utilisation=0.9001, discards=0.0)] * 11, [*full(5), *[missing()] * 4, *full(2)]]

        depth, found = levels(no_depth(3), team_windows(several))

        for team, windows in enumerate(several):
            own, alone = levels(no_depth(1), team_windows([windows]))
            assert (found[team] == alone[0]).all()
            assert [int(column[team, 0]) for column in depth] == [int(column[0, 0]) for column in own]
