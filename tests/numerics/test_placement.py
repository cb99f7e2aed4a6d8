import random

import pytest

from service.errors import WrongQuestion
from service.numerics.placement import best, between


class TestBest:
    def test_tells_what_its_positions_come_to(self):
        found = best([430, 390, 60, 40], [1000, 1000], [0, 0])

        assert found.utilisation in ((0.47, 0.45), (0.45, 0.47))
        assert (found.busiest, found.floor, found.proven) == (0.47, pytest.approx(0.47), True)

    def test_moves_no_more_than_it_must(self):
        # 430 and 60 against 390 and 40 is 49/43; the best, 47/45, takes two moves, as does its mirror.
        found = best([430, 390, 60, 40], [1000, 1000], [0, 0], current=[0, 0, 0, 0])

        assert (found.busiest, found.moves) == (0.47, 2)

    def test_stays_where_it_is_where_that_is_as_good(self):
        found = best([300, 300], [1000, 1000], [0, 0], current=[1, 0])

        assert (found.positions, found.moves) == ((1, 0), 0)

    def test_takes_one_move_where_one_is_allowed(self):
        found = best([430, 390, 60, 40], [1000, 1000], [0, 0], current=[0, 0, 0, 0], most_moves=1)

        assert (found.busiest, found.moves) == (0.49, 1)

    def test_weighs_links_by_their_speed(self):
        found = best([500, 500, 500], [1000, 10_000], [0, 0])

        assert found.utilisation == (0.0, 0.15)

    def test_counts_the_background(self):
        assert best([100], [1000, 1000], [500, 0]).positions == (1,)

    def test_keeps_moves_few_where_many_placements_are_as_good(self):
        # 64 items that lie nearly even already: five or six moves do, where placing them anew would move fifty.
        weights = [10**7 * (3 + at * 7 % 13) + at * 977 for at in range(64)]

        found = best(weights, [10**9] * 4, [0] * 4, current=[at % 4 for at in range(64)])

        assert found.moves < 16
        assert found.busiest <= found.floor * 1.0021

    def test_is_the_same_every_time(self):
        rng = random.Random(4)
        weights = [rng.randint(10, 400) for _ in range(18)]

        assert best(weights, [1000] * 3, [0] * 3) == best(weights, [1000] * 3, [0] * 3)

    def test_ends_its_search_and_says_how_far_from_the_best_it_can_be(self):
        # Forty rates without a pattern: no search proves the last thousandth soon.
        rng = random.Random(9)
        weights = [rng.randint(10**6, 10**8) for _ in range(40)]

        found = best(weights, [10**9] * 4, [0] * 4)

        assert found.floor <= found.busiest <= found.floor * 1.01
        assert found.floor >= sum(weights) / 4e9 - 1e-9

    def test_of_one_link_or_no_item_is_what_there_is(self):
        assert best([1, 2], [10], [3]).utilisation == (0.6,)
        assert best([], [10, 10], [3, 1], current=[]).utilisation == (0.3, 0.1)
        assert best([1, 2], [10], [3], current=[0, 0]).moves == 0

    @pytest.mark.parametrize(
        "told", [{"most_moves": 1}, {"current": [0, 2]}, {"current": [0]}, {"current": [0, 0], "most_moves": -1}]
    )
    def test_refuses_moves_from_nowhere(self, told):
        with pytest.raises(WrongQuestion):
            best([1, 2], [10, 10], [0, 0], **told)


class TestBetween:
    @pytest.mark.parametrize("seed", range(8))
    def test_holds_what_the_search_finds(self, seed):
        draw = random.Random(seed)
        links = draw.randint(2, 4)
        asked = [draw.randint(1, 400) for _ in range(draw.randint(1, 9))], [1000] * links, [0] * links

        floor, known = between(*asked)

        # Heaviest first is within 4/3 of the best on equal links (Graham 1969).
        assert floor <= best(*asked).busiest <= known <= 4 / 3 * best(*asked).busiest
