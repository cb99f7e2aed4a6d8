import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.numerics import odds_exact
from service.numerics.odds_exact import success_exact
from service.numerics.odds_loads import Loads

FEW = settings(max_examples=80, deadline=None)
questions = st.tuples(
    st.lists(st.integers(0, 9), min_size=1, max_size=7), st.lists(st.integers(0, 25), min_size=1, max_size=4)
)


def loads_of(weights, limits):
    return Loads(np.array(weights, dtype=np.int64), np.array(limits, dtype=np.int64), 1)


def counted(weights, limits):
    fits = [
        all(
            sum(w for w, at in zip(weights, placed, strict=True) if at == link) <= limit
            for link, limit in enumerate(limits)
        )
        for placed in itertools.product(range(len(limits)), repeat=len(weights))
    ]
    return sum(fits) / len(fits)


class TestSuccessExact:
    @FEW
    @given(questions)
    def test_is_the_share_of_all_placements(self, asked):
        weights, limits = asked

        assert success_exact(loads_of(weights, limits)) == pytest.approx(counted(weights, limits), abs=1e-12)

    @FEW
    @given(st.lists(st.integers(0, 9), min_size=2, max_size=8), st.tuples(st.integers(0, 40), st.integers(0, 40)))
    def test_is_the_same_by_halves_and_one_by_one(self, weights, limits):
        asked = loads_of(weights, limits)

        assert odds_exact._in_halves(asked) == pytest.approx(odds_exact._one_by_one(asked), abs=1e-12)

    @FEW
    @given(st.integers(1, 9), st.integers(1, 8), st.lists(st.integers(0, 30), min_size=2, max_size=4))
    def test_is_the_same_by_the_generating_function_and_one_by_one(self, weight, count, limits):
        asked = loads_of([weight] * count, limits)

        assert odds_exact._of_equal(asked) == pytest.approx(odds_exact._one_by_one(asked), abs=1e-12)

    def test_counts_up_to_the_twentieth_power_of_two_placements(self):
        # 4^10 is 2^20; 4^11 is beyond, but items of one rate are dealt out together.
        even = [40] * 4

        assert success_exact(loads_of(range(1, 11), even)) is not None
        assert success_exact(loads_of([*range(1, 8), 8, 8, 8, 8], even)) is not None
        assert success_exact(loads_of(range(1, 21), [1000] * 4)) is None

    def test_counts_36_different_items_on_two_links_and_no_more(self):
        assert success_exact(loads_of(range(1, 37), [400, 400])) is not None
        assert success_exact(loads_of(range(1, 38), [500, 500])) is None
