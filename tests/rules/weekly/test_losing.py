import math

import pytest

from service.rules.weekly.losing import cannot_lose_a_member, load_after_loss


class TestLoadAfterLoss:
    def test_is_120_per_cent_for_12_g_on_two_of_10(self):
        assert load_after_loss(12e9, [10e9, 10e9]) == pytest.approx(1.2)  # by hand

    def test_loses_the_fastest(self):
        assert load_after_loss(5e9, [10e9, 1e9]) == pytest.approx(5.0)

    def test_is_without_end_where_nothing_would_be_left(self):
        assert load_after_loss(1e9, [10e9]) == math.inf

    @pytest.mark.parametrize(("busy", "speeds"), [(math.nan, [1e9, 1e9]), (1e9, [1e9, math.nan]), (1e9, [])])
    def test_is_unknown_where_load_or_speed_is(self, busy, speeds):
        assert math.isnan(load_after_loss(busy, speeds))


class TestCannotLoseAMember:
    @pytest.mark.parametrize(("load", "said"), [(0.99, False), (1.0, False), (1.01, True), (math.nan, False)])
    def test_is_said_of_what_is_more_than_full(self, load, said):
        assert cannot_lose_a_member(load) is said
