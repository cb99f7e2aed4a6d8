"""The rules of all teams as arrays."""

from __future__ import annotations

import pytest

from service.errors import WrongSetting
from service.rules.table import MOST_OF, memory_windows, rule_table, windows_in
from service.terms import Rule, TeamName

FRONT = TeamName("sm-07", "front")


class TestRuleTable:
    def test_holds_each_teams_own_rule(self):
        table = rule_table((Rule(), Rule(hot_above=0.8), Rule()), [FRONT] * 3, 30_000)

        assert table.hot.tolist() == [0.75, 0.8, 0.75]

    def test_adds_two_windows_where_placement_is_by_load(self):
        table = rule_table((Rule(), Rule()), [FRONT, TeamName("sm-07", "store", "load-aware")], 30_000)

        assert table.raise_windows.tolist() == [3, 5]
        assert table.raise_of.tolist() == [4, 6]
        assert table.within.tolist() == [6, 8]

    def test_counts_minutes_in_windows(self):
        table = rule_table((Rule(),), [FRONT], 10_000)

        assert (table.blind, table.hold) == (60, 360)

    def test_refuses_a_rule_that_can_never_raise(self):
        with pytest.raises(WrongSetting, match="5 of 4 windows can never be had"):
            rule_table((Rule(raise_windows=5),), [FRONT], 30_000)

    @pytest.mark.parametrize("windows", [MOST_OF, MOST_OF + 1])
    def test_refuses_more_windows_than_are_remembered(self, windows):
        rule = Rule(raise_of=windows)

        if windows > MOST_OF:
            with pytest.raises(WrongSetting, match="too many"):
                rule_table((rule,), [FRONT], 30_000)
        else:
            assert rule_table((rule,), [FRONT], 30_000).raise_of.tolist() == [windows]


class TestWindowsIn:
    @pytest.mark.parametrize(("seconds", "width_ms", "windows"), [(300, 30_000, 10), (301, 30_000, 11), (1, 30_000, 1)])
    def test_covers_the_seconds(self, seconds, width_ms, windows):
        assert windows_in(seconds, width_ms) == windows


class TestMemoryWindows:
    def test_reach_back_further_the_longer_a_rule_waits_to_clear(self):
        usual, slow = (rule_table((rule,), [FRONT], 30_000) for rule in (Rule(), Rule(clear_windows=20)))

        assert memory_windows(usual) < memory_windows(slow)
