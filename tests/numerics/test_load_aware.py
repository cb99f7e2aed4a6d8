import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import WrongQuestion
from service.numerics.placement import moved_by_load

FEW = settings(max_examples=60, deadline=None)
TWO = ([1000, 1000], [0, 0], 0.75)


class TestMovedByLoad:
    def test_does_nothing_where_nothing_is_above_the_line(self):
        found = moved_by_load([700, 50], [0, 0], *TWO)

        assert (found.fits, found.moves, found.after) == (True, (), (0.75, 0.0))
        assert "moves nothing" in found.text

    def test_stops_as_soon_as_nothing_is_above_the_line(self):
        # 70/30 is not evened out: one move of the largest that helps, and no more.
        found = moved_by_load([500, 300, 200], [0, 0, 0], *TWO)

        assert (len(found.moves), found.after) == (1, (0.5, 0.5))
        assert moved_by_load([700, 300], [0, 1], *TWO).moves == ()

    def test_moves_once_a_window_until_the_line_is_cleared(self):
        found = moved_by_load([700, 600, 600], [0, 0, 0], [1000] * 3, [0] * 3, 0.75)

        assert (len(found.moves), found.fits) == (2, True)
        assert max(found.after) == 0.7
        assert "2 moves" in found.text

    def test_makes_no_move_that_gains_less_than_five_points(self):
        # 80/76: the best single move is of the 10, and gains one point or none.
        found = moved_by_load([400, 390, 10, 380, 380], [0, 0, 0, 1, 1], *TWO)

        assert (found.fits, found.moves) == (False, ())
        assert "sits still" in found.text

    @pytest.mark.parametrize(("weight", "moves"), [(50, 1), (49, 0)])
    def test_makes_a_move_that_gains_just_five_points(self, weight, moves):
        found = moved_by_load([740, weight], [0, 0], *TWO)

        assert len(found.moves) == moves

    def test_lists_every_single_move_that_would_clear_the_line(self):
        found = moved_by_load([430, 390, 60, 40], [0, 0, 0, 0], *TWO)

        assert [(move.item, move.utilisation) for move in found.clearing] == [(0, (0.49, 0.43)), (1, (0.53, 0.39))]
        assert [move.busiest for move in found.clearing] == [0.49, 0.53]

    @pytest.mark.parametrize("weight", [751, 800, 940])
    def test_cannot_where_one_item_is_above_the_line(self, weight):
        found = moved_by_load([weight], [0], *TWO)

        assert (found.fits, found.too_large, found.clearing) == (False, (0,), ())
        assert "cannot" in found.text
        assert "oscillate or sit still" in found.text

    def test_takes_an_item_for_small_enough_that_a_faster_link_can_carry(self):
        found = moved_by_load([800], [0], [1000, 10_000], [0, 0], 0.75)

        assert (found.fits, found.too_large, found.after) == (True, (), (0.0, 0.08))

    @FEW
    @given(st.lists(st.tuples(st.integers(1, 500), st.integers(0, 2)), min_size=1, max_size=8))
    def test_never_makes_the_busiest_busier(self, items):
        found = moved_by_load([w for w, _ in items], [at for _, at in items], [1000] * 3, [0] * 3, 0.75)

        assert max(found.after) <= max(found.before)
        assert sum(found.after) == pytest.approx(sum(found.before))
        assert found.fits == (max(found.after) <= 0.75)

    def test_refuses_items_that_are_nowhere(self):
        with pytest.raises(WrongQuestion, match="counted 0 to 1"):
            moved_by_load([1], [2], *TWO)
