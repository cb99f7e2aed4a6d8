import pytest

from service.pages.team_now import lost

HOT = 0.75


def a_window(*why_not, one_lost=0.5, evaluable=True):
    members = [{"eligible": not why, "why_not": why} for why in why_not]
    return {"evaluable": evaluable, "one_lost": one_lost, "members": members}


class TestLost:
    # Above 1 the others would have to carry more than they can: common practice, no source.
    @pytest.mark.parametrize(
        ("one_lost", "said"),
        [
            (0.75, "enough, the others would carry 75.0 %"),
            (0.751, "enough, but above the hot line, the others would carry 75.1 %"),
            (1.0, "enough, but above the hot line, the others would carry 100.0 %"),
            (1.001, "not enough, the others would carry 100.1 %"),
            (None, "unknown"),
        ],
    )
    def test_holds_what_is_left_against_its_lines(self, one_lost, said):
        assert lost(a_window("", "", one_lost=one_lost), HOT) == said

    def test_is_unknown_where_a_member_is(self):
        assert lost(a_window("", "no data", evaluable=False), HOT).startswith("unknown")

    def test_of_a_single_carrier_is_up_to_its_standby(self):
        assert lost(a_window("", "standby by design", one_lost=None), HOT) == "its standby would have to take over"
        assert lost(a_window("", "down", one_lost=None), HOT).startswith("nothing is left")

    def test_of_a_team_that_carries_nothing_is_nothing(self):
        assert lost(a_window("down", "down", one_lost=None), HOT).startswith("nothing to lose")
