import numpy as np
import pytest

from service.errors import WrongQuestion
from service.numerics.odds_draws import QUANTILES, busiest_shares, draw, half_width

ASKED = ([400, 300, 200, 100], [1000, 1000], [0, 0], 0.75)


class TestDraw:
    def test_gives_the_same_with_the_same_seed_and_other_with_another(self):
        assert draw(*ASKED, seed=5) == draw(*ASKED, seed=5)
        assert draw(*ASKED, seed=5).success != draw(*ASKED, seed=6).success

    def test_tells_the_best_of_its_draws(self):
        found = draw(*ASKED)
        loads = np.bincount(found.best, weights=ASKED[0], minlength=2)

        assert found.busiest == loads.max() / 1000 == 0.5

    def test_tells_how_shares_are_spread(self):
        found = draw(*ASKED)

        assert list(found.quantiles) == sorted(found.quantiles)
        assert len(found.quantiles) == len(QUANTILES)
        assert 0.5 <= found.quantiles[0] <= found.mean_share <= found.quantiles[-1] <= 1

    def test_counts_the_background(self):
        # 300 of 1,000 in all, and the item is the rest wherever it goes: 70 % or all of it.
        found = draw([700], [1000, 1000], [300, 0], 0.75)

        assert {round(one, 6) for one in found.quantiles} == {0.7, 1.0}

    @pytest.mark.parametrize("draws", [0, 200_001])
    def test_refuses_none_and_too_many(self, draws):
        with pytest.raises(WrongQuestion, match="draws"):
            draw(*ASKED, draws=draws)

    def test_refuses_a_share_of_nothing(self):
        with pytest.raises(WrongQuestion, match="nothing"):
            draw([0], [1000], [0], 0.75)


class TestBusiestShares:
    def test_are_of_each_draw(self):
        found = busiest_shares(4, 2, 1000, 1)

        assert len(found) == 1000
        assert set(found) <= {0.5, 0.75, 1.0}


class TestHalfWidth:
    def test_of_a_half_in_20_000_is_seven_thousandths(self):
        assert half_width(0.5, 20_000) == pytest.approx(0.00693, abs=1e-5)

    @pytest.mark.parametrize("success", [0.0, 1.0])
    def test_is_not_nothing_where_all_draws_agree(self, success):
        # The rule of three (textbook): none in n is at most 3/n with 95 %.
        assert half_width(success, 20_000) == 3 / 20_000
