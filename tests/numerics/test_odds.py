from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import WrongQuestion
from service.numerics import odds

G = 10**9
FEW = settings(max_examples=60, deadline=None)
counts, links = st.integers(1, 12), st.integers(1, 6)


class TestAllApart:
    def test_is_nothing_where_items_are_more_than_links(self):
        assert odds.all_apart(3, 2) == 0

    def test_is_certain_of_one_item(self):
        assert odds.all_apart(1, 7) == 1


class TestAllTogether:
    def test_is_certain_of_one_item_and_of_none(self):
        assert odds.all_together(1, 4) == odds.all_together(0, 4) == 1


class TestAtMost:
    @FEW
    @given(counts, links)
    def test_rises_to_certainty(self, k, n):
        upto = [odds.at_most(k, n, m) for m in range(-1, k + 2)]

        assert upto == sorted(upto)
        assert (upto[0], upto[-1]) == (0, 1)

    @FEW
    @given(counts, links)
    def test_of_one_a_link_is_all_apart(self, k, n):
        assert odds.at_most(k, n, 1) == odds.all_apart(k, n)

    def test_is_for_no_more_than_can_be_reckoned_with(self):
        assert odds.at_most(100, 2, 100) == 1
        with pytest.raises(WrongQuestion, match="100 equal items"):
            odds.at_most(101, 2, 1)
        with pytest.raises(WrongQuestion, match="links"):
            odds.at_most(2, 0, 1)


class TestMostOnOne:
    @FEW
    @given(counts, links)
    def test_sums_to_one(self, k, n):
        assert sum(odds.most_on_one(k, n)) == 1

    @FEW
    @given(counts, links)
    def test_has_all_together_last(self, k, n):
        assert odds.most_on_one(k, n)[k] == odds.all_together(k, n)

    def test_is_never_less_than_an_even_deal(self):
        assert not any(odds.most_on_one(10, 3)[:4])


class TestShareAtLeast:
    def test_counts_the_share_itself(self):
        # 6 of 10 is 60 %: just over it is 7 of 10.
        assert odds.share_at_least(10, 2, Fraction(6, 10)) > odds.share_at_least(10, 2, Fraction(61, 100))


class TestExpectedShare:
    # The normal approximation for two links: 1/2 + 1/sqrt(2 pi k) (Stirling).
    @pytest.mark.parametrize("k", [20, 50, 100])
    def test_nears_what_the_normal_distribution_says(self, k):
        approximate = 0.5 + (2 * 3.141592653589793 * k) ** -0.5

        assert float(odds.expected_share(k, 2)) == pytest.approx(approximate, abs=0.003)

    def test_of_nothing_is_refused(self):
        with pytest.raises(WrongQuestion, match="at least one"):
            odds.expected_share(0, 2)


class TestEffective:
    @FEW
    @given(st.lists(st.integers(1, 1000), min_size=1, max_size=20))
    def test_lies_between_one_and_how_many_there_are(self, weights):
        assert 1 - 1e-9 <= odds.effective(weights) <= len(weights) + 1e-9

    def test_is_nothing_where_nothing_is_carried(self):
        assert odds.effective([0, 0]) == odds.effective([]) == 0


class TestTypicalShare:
    # Worked by hand from (1 + sqrt(1/k))/2: 70/30 takes 6 equal items, 60/40 25, 55/45 a hundred.
    @pytest.mark.parametrize(("k", "share"), [(6, 0.70), (25, 0.60), (100, 0.55)])
    def test_needs_many_items_to_near_half(self, k, share):
        assert odds.typical_share([1] * k) == pytest.approx(share, abs=0.005)


class TestChances:
    # Two links of 1 Gbit/s, line 75 %, in Mbit/s; each worked by hand or counted over all placements.
    @pytest.mark.parametrize(
        ("weights", "success"),
        [
            ([480, 480], 0.5),
            ([960], 0.0),
            ([600, 200, 100, 60], 0.375),
            ([400, 300, 200, 100], 0.625),
            ([300] * 4, 0.375),
            ([240] * 4, 0.875),
            ([160] * 6, 0.781),
            ([120] * 8, 0.930),
            ([80] * 12, 0.961),
            ([40] * 24, 0.993),
        ],
    )
    def test_of_the_same_load_rise_as_items_get_smaller(self, weights, success):
        [found] = odds.chances([w * 10**6 for w in weights], [G, G], [0, 0], 0.75, demands=(1.0,))

        assert found.success == pytest.approx(success, abs=5e-4)
        assert (found.error, found.draws) == (0, 0)

    def test_are_better_with_more_links(self):
        [found] = odds.chances([480, 480], [1000] * 4, [0] * 4, 0.75, demands=(1.0,))

        assert found.success == 0.75

    @pytest.mark.parametrize(("rate", "success"), [(749_999_999, 1.0), (750_000_000, 1.0), (750_000_001, 0.0)])
    def test_take_an_item_just_under_at_and_just_over_the_line(self, rate, success):
        assert odds.chances([rate], [G, G], [0, 0], 0.75, demands=(1.0,))[0].success == success

    @pytest.mark.parametrize(("line", "success"), [(0.7, 1.0), (0.699999, 0.0)])
    def test_take_a_line_that_no_binary_fraction_is_for_what_it_says(self, line, success):
        assert odds.chances([700_000_000], [G, G], [0, 0], line, demands=(1.0,))[0].success == success

    @pytest.mark.parametrize(
        ("weights", "background"), [([1000, 600], [0, 0]), ([100], [800, 0]), ([800, 100], [0, 0])]
    )
    def test_are_nothing_without_drawing_where_it_cannot_be(self, weights, background):
        [found] = odds.chances(weights, [1000, 1000], background, 0.75, demands=(1.0,))

        assert (found.success, found.draws) == (0.0, 0)

    def test_fall_with_demand(self):
        found = odds.chances([400, 300, 200, 100], [1000] * 2, [0, 0], 0.75)

        assert [(one.demand, one.success) for one in found] == [(1.0, 0.625), (1.5, 0.125), (2.0, 0.0)]

    def test_multiply_items_and_not_the_background(self):
        # 370 twice is 740; with background twice too, 10 would become 20 and 760 exceed the line.
        [found] = odds.chances([370], [1000, 1000], [10, 10], 0.75, demands=(2.0,))

        assert found.success == 1.0

    def test_know_which_link_is_faster(self):
        # Only on the link of 10 is an item of 5 below 75 %.
        [found] = odds.chances([5], [1, 10], [0, 0], 0.75, demands=(1.0,))

        assert found.success == 0.5

    def test_of_nothing_are_certain(self):
        assert odds.chances([], [1000, 1000], [10, 10], 0.75, demands=(1.0,))[0].success == 1.0

    @pytest.mark.parametrize("n", [2, 3, 4])
    def test_are_drawn_where_there_is_too_much_to_count(self, n):
        weights = list(range(50, 50 + 40))

        found = odds.chances(weights, [4000 // n] * n, [0] * n, 0.75, demands=(1.0,), seed=3)
        again = odds.chances(weights, [4000 // n] * n, [0] * n, 0.75, demands=(1.0,), seed=3)

        assert found == again
        assert (found[0].draws, found[0].seed) == (20_000, 3)
        assert 0 < found[0].error < 0.007

    @pytest.mark.parametrize(
        ("asked", "word"),
        [
            (([-1], [1], [0], 0.75), "rate"),
            (([float("nan")], [1], [0], 0.75), "rate"),
            (([1], [0], [0], 0.75), "speed"),
            (([1], [], [], 0.75), "links"),
            (([1], [1, 1], [0], 0.75), "background"),
            (([1], [1], [0], 0.0), "line"),
            (([1], [1], [0], 1.1), "line"),
            (([1] * 513, [1], [0], 0.75), "512"),
        ],
    )
    def test_refuse_what_is_no_question(self, asked, word):
        with pytest.raises(WrongQuestion, match=word):
            odds.chances(*asked)

    def test_refuse_a_demand_that_is_none(self):
        with pytest.raises(WrongQuestion, match="demand"):
            odds.chances([1], [1], [0], 0.75, demands=(0.0,))
