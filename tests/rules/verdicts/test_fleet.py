import pytest

from service.rules.verdicts.fleet import fleet_verdict, sign_test
from service.terms import Outcome, Side, Verdict


def verdicts(**counts):
    return [Verdict(Outcome[name], "", Side(), Side()) for name, count in counts.items() for _ in range(count)]


class TestSignTest:
    def test_of_9_of_10_is_11_in_1024(self):
        assert sign_test(9, 10) == 11 / 1024

    def test_of_8_of_10_is_56_in_1024(self):
        assert sign_test(8, 10) == 56 / 1024

    def test_of_none_or_more_is_certain(self):
        assert sign_test(0, 7) == 1.0


class TestFleetVerdict:
    def test_shows_9_of_10(self):
        found = fleet_verdict(verdicts(EVENED_OUT=6, IMPROVED=3, WORSE=1))

        assert (found.better, found.told, found.is_shown) == (9, 10, True)
        assert found.p == pytest.approx(0.011, abs=5e-4)

    def test_does_not_show_8_of_10(self):
        found = fleet_verdict(verdicts(EVENED_OUT=8, UNCHANGED=1, MOVED=1))

        assert found.p == pytest.approx(0.055, abs=5e-4)
        assert not found.is_shown
        assert "not shown to be better than luck" in found.text

    def test_judges_no_method_by_fewer_than_10(self):
        found = fleet_verdict(verdicts(EVENED_OUT=9))

        assert found.p == pytest.approx(1 / 512)
        assert not found.is_shown
        assert "too few to judge the method" in found.text

    def test_leaves_out_what_cannot_be_told_yet(self):
        found = fleet_verdict(verdicts(EVENED_OUT=9, WORSE=1, CANNOT_TELL_YET=20))

        assert (found.told, found.is_shown) == (10, True)
        assert found.counts[Outcome.CANNOT_TELL_YET] == 20

    def test_says_that_luck_alone_makes_20_of_40_better_give_or_take_3(self):
        found = fleet_verdict(verdicts(EVENED_OUT=22, UNCHANGED=18))

        assert found.by_luck == 20
        assert found.give_or_take == pytest.approx(3.16, abs=0.005)
        assert "luck alone would make 20 better, give or take 3" in found.text

    def test_of_nothing_says_so(self):
        assert fleet_verdict([]).text == "no team has a verdict yet"
        assert fleet_verdict(verdicts(CANNOT_TELL_YET=2)).p is None
