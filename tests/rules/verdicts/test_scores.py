import pytest

from service.rules.verdicts.scores import Foretold, came_true, score
from service.terms import Outcome, Side, Verdict

FOUR = [Foretold(0.50, True), Foretold(0.50, False), Foretold(0.93, True), Foretold(0.00, False)]


class TestScore:
    def test_of_four_predictions_is_0126_and_too_few_to_judge(self):
        # (0.25 + 0.25 + 0.0049 + 0) / 4, by hand.
        found = score(FOUR)

        assert found.brier == pytest.approx(0.126, abs=5e-4)
        assert found.count == 4
        assert found.fifths == ()
        assert found.text == "Brier score 0.126, n = 4: too few to judge (< 20)"

    @pytest.mark.parametrize(("count", "judged"), [(19, False), (20, True)])
    def test_judges_from_20_on(self, count, judged):
        assert bool(score([Foretold(0.9, True)] * count).fifths) is judged

    def test_tells_by_fifths_what_came_true(self):
        found = score(
            [*[Foretold(0.1, False)] * 9, Foretold(0.1, True), *[Foretold(1.0, True)] * 9, Foretold(0.8, False)]
        )

        low, high = found.fifths
        assert (low.low, low.high, low.predictions) == (0.0, 0.2, 10)
        assert (low.foretold, low.came_true) == (pytest.approx(0.1), 0.1)
        assert (high.low, high.predictions, high.came_true) == (0.8, 10, 0.9)

    @pytest.mark.parametrize(("chance", "fifth"), [(0.0, 0.0), (0.19, 0.0), (0.2, 0.2), (0.99, 0.8), (1.0, 0.8)])
    def test_puts_a_chance_into_one_fifth(self, chance, fifth):
        assert score([Foretold(chance, True)] * 20).fifths[0].low == fifth

    def test_of_none_says_so(self):
        assert score([]).brier is None


class TestCameTrue:
    def of(self, busiest, outcome=Outcome.EVENED_OUT):
        return came_true(Verdict(outcome, "", Side(), Side(busiest=busiest)), 0.75)

    @pytest.mark.parametrize(("busiest", "expected"), [(0.74, True), (0.75, True), (0.76, False)])
    def test_where_the_busiest_member_stays_at_or_below_the_line(self, busiest, expected):
        assert self.of(busiest) is expected

    def test_is_open_until_a_verdict_can_be_told(self):
        assert self.of(0.5, Outcome.CANNOT_TELL_YET) is None
