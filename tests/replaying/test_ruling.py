import pytest

from service.errors import ReplayRefused, WrongQuestion
from service.replaying.ruling import Ruling, ruling_of
from service.terms import Rule, TeamName

FRONT, STORE = TeamName("sm-07", "front"), TeamName("sm-07", "store")
OWN = Rule(hot_above=0.9, set_by="R. Umber", because="a backup every night")


def rules_for(device, team):
    return OWN if team == "store" else Rule()


class TestRulingOf:
    def test_tells_the_general_rule_from_those_of_teams(self):
        ruling = ruling_of(rules_for, [FRONT, STORE])

        assert ruling.of([STORE, FRONT]) == (OWN, Rule())
        assert ruling.general == Rule()


class TestChanged:
    def test_changes_every_team_that_has_no_value_of_its_own(self):
        ruling = ruling_of(rules_for, [FRONT, STORE]).changed({"hot_above": 0.8, "idle_below": 0.2})

        front, store = ruling.of([FRONT, STORE])
        assert (front.hot_above, front.idle_below) == (0.8, 0.2)
        assert (store.hot_above, store.idle_below) == (0.9, 0.2)

    def test_keeps_whole_numbers_whole(self):
        assert repr(Ruling(Rule(), {}).changed({"raise_of": 5.0}).general.raise_of) == "5"

    def test_refuses_a_value_that_no_rule_has(self):
        with pytest.raises(WrongQuestion, match="is no value of a rule; there are hot_above"):
            Ruling(Rule(), {}).changed({"hot_abov": 0.8})

    @pytest.mark.parametrize(
        ("values", "why"),
        [
            ({"hot_above": 0.70}, "each must lie below the next"),
            ({"idle_below": 0.70}, "each must lie below the next"),
            ({"hot_above": 1.01}, "the last not above 1"),
            ({"raise_windows": 5}, "5 flagged windows of 4"),
            ({"raise_of": 59}, "at most 58"),
            ({"clear_windows": 0}, "at least 1"),
            ({"coverage_min": 1.1}, "at most 1"),
            ({"window_seconds": 45}, "divisor of 300"),
        ],
    )
    def test_refuses_values_that_contradict_each_other(self, values, why):
        with pytest.raises(ReplayRefused, match=why):
            Ruling(Rule(), {}).changed(values)

    def test_refuses_what_contradicts_a_teams_own_value(self):
        own = {("sm-07", "store"): Rule(clear_below=0.74, set_by="R. Umber", because="it swings")}

        with pytest.raises(ReplayRefused, match=r"clear below 0\.74, hot above 0\.73"):
            Ruling(Rule(), own).changed({"hot_above": 0.73})
