"""How often luck alone raises."""

from __future__ import annotations

from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.rules.tuning import false_raise_chance
from service.terms import Rule


class TestFalseRaiseChance:
    def test_of_three_of_four_at_one_in_ten_is_37_in_ten_thousand(self):
        # By hand: 4 * 0.1^3 * 0.9 + 0.1^4 = 0.0037 (binomial distribution).
        assert false_raise_chance(0.1, Rule()) == pytest.approx(0.0037, abs=1e-12)

    @given(st.floats(0, 1), st.integers(1, 10), st.integers(0, 10))
    def test_is_the_sum_of_the_binomial_terms(self, flagged, wanted, more):
        rule = Rule(raise_windows=wanted, raise_of=wanted + more)

        by_hand = sum(
            comb(wanted + more, k) * flagged**k * (1 - flagged) ** (wanted + more - k)
            for k in range(wanted, wanted + more + 1)
        )

        assert false_raise_chance(flagged, rule) == pytest.approx(by_hand, abs=1e-9)
