"""Collision: by items of which a better placement is reckoned by hand, and by steps, with their limits."""

from __future__ import annotations

import pytest
from rules.diagnoses.situations import a_situation, an_item, windows

from service.rules.diagnoses import collision, signs


def of(m1, m2=None, **more):
    told = windows([m1, m2 or [0.01] * len(m1)])
    situation = a_situation(told, **more)
    return collision.diagnosis(situation, signs.of(situation))


PAIR = (an_item("vp11", "m1", 480), an_item("vp12", "m1", 472), an_item("vp13", "m2", 6), an_item("vp14", "m2", 4))


class TestByItems:
    def test_is_shown_where_they_fit_when_placed_better(self):
        # 480 + 4 beside 472 + 6 would be 484 and 478; 480 beside 472 + 6 + 4 is 482: 48.2 % (arithmetic).
        found = of([0.952] * 4, items=PAIR)

        assert (found.name, found.sure, found.members) == ("collision", "shown", ("m1",))
        assert found.text == "two heavy virtual ports share member m1: vp11 480 and vp12 472 Mbit/s"
        assert found.evidence.speaks_for[0] in found.text
        assert "48.2 %" in found.evidence.speaks_for[1]

    @pytest.mark.parametrize(("mbps", "told"), [(100, "three heavy"), (99, "two heavy")])
    def test_counts_as_heavy_what_has_a_tenth_of_the_link(self, mbps, told):
        """A large flow uses 10 % or more of the link (RFC 7424 section 4.3.2)."""
        items = (an_item("a", "m1", 430), an_item("b", "m1", 390), an_item("c", "m1", mbps))

        assert of([0.92] * 4, items=items).text.startswith(f"{told} virtual ports share member m1: a 430")

    def test_names_three_and_counts_the_others(self):
        items = tuple(an_item(f"c{n}", "m1", 230 - 10 * n, "conversation") for n in range(4))

        assert of([0.9] * 4, items=items).text == (
            "four heavy conversations share member m1: c0 230, c1 220 and c2 210 Mbit/s and 1 more"
        )

    def test_says_each_unit_where_they_differ(self):
        items = (an_item("a", "m1", 1500), an_item("b", "m1", 700))
        situation = a_situation(windows([[0.88] * 4, [0.01] * 4], cap=25 * 10**8), items=items)

        found = collision.diagnosis(situation, signs.of(situation))

        assert found.text == "two heavy virtual ports share member m1: a 1.5 Gbit/s and b 700 Mbit/s"

    def test_is_shown_of_one_heavy_item_beside_lesser_ones(self):
        items = (an_item("a", "m1", 700), *(an_item(f"b{n}", "m1", 60) for n in range(4)))

        assert of([0.94] * 4, items=items).text == (
            "one heavy virtual port, a 700 Mbit/s, shares member m1 with 4 lesser ones"
        )

    def test_is_not_claimed_of_many_small_items_as_that_is_no_luck(self):
        items = tuple(an_item(f"c{n}", "m1", 70) for n in range(13))

        assert of([0.91] * 4, items=items) is None

    def test_is_not_claimed_where_no_placement_fits(self):
        items = (an_item("a", "m1", 400), an_item("b", "m1", 400), an_item("c", "m2", 760), an_item("d", "m2", 60))

        assert of([0.80] * 4, [0.82] * 4, items=items) is None

    def test_is_not_claimed_of_one_item(self):
        assert of([0.952] * 4, items=(an_item("a", "m1", 940), an_item("b", "m1", 12))) is None

    def test_searches_no_further_where_many_items_are_known_to_fit(self, monkeypatch):
        """Half of 920 Mbit/s is 46.0 % of a link; 220 and six of 45 are 490 (arithmetic), an even split is 472.5."""
        monkeypatch.setattr(collision.placement, "best", None)
        alike = tuple(an_item(f"a{n}", "m1", 40) for n in range(18))
        two = (an_item("x", "m1", 100), an_item("y", "m1", 100))
        unlike = (an_item("x", "m1", 230), an_item("y", "m1", 220), *(an_item(f"z{n}", "m1", 45) for n in range(11)))

        even, less = of([0.92] * 4, [0.0] * 4, items=(*two, *alike)), of([0.945] * 4, [0.0] * 4, items=unlike)

        assert even.evidence.speaks_for[1].endswith("would be at 46.0 %")
        assert less.evidence.speaks_for[1].endswith("would be at 49.0 % or less")

    def test_leaves_on_the_member_what_no_item_tells_of(self):
        # 900 - 400 = 500 Mbit/s stay on m1, both items go to m2 beside 10: 50.0 and 41.0 % (arithmetic).
        items = (an_item("a", "m1", 200), an_item("b", "m1", 200))

        assert of([0.9] * 4, items=items).evidence.speaks_for[1].endswith("would be at 50.0 %")
        assert of([0.96] * 4, [0.6] * 4, items=items) is None

    @pytest.mark.parametrize(("method", "what"), [("virtual-port", "virtual ports"), ("ip-pair", "conversations")])
    def test_takes_the_items_that_the_method_deals_out_and_adds_no_two_views_up(self, method, what):
        seen = [
            (kind, name, mbps) for kind in ("virtual-port", "conversation") for name, mbps in (("a", 480), ("b", 470))
        ]
        items = tuple(an_item(name, "m1", mbps, kind) for kind, name, mbps in seen)

        found = of([0.95] * 4, [0.0] * 4, items=items, method=method)

        assert found.text == f"two heavy {what} share member m1: a 480 and b 470 Mbit/s"
        assert found.evidence.speaks_for[1].endswith("would be at 48.0 %")


class TestBySteps:
    def test_is_probable_of_two_at_different_times(self):
        found = of([0.0, 0.0, 0.4, 0.4, 0.8, 0.8])

        assert found.sure == "probable"
        assert found.evidence.speaks_for[0] == "m1 rose by 40 and 40 points at different times"
        assert found.evidence.missing == ("flow records or virtual-port counters",)

    def test_is_possible_of_one_upon_what_was_there(self):
        assert of([0.4, 0.4, 0.8, 0.8]).sure == "possible"

    def test_is_not_claimed_of_one_alone(self):
        assert of([0.0, 0.0, 0.9, 0.9]) is None

    def test_is_not_claimed_where_the_team_has_no_room(self):
        assert of([0.1, 0.1, 0.5, 0.5, 0.9, 0.9], [0.65] * 6) is None

    @pytest.mark.parametrize(("step", "claimed"), [(0.74, True), (0.76, False)])
    def test_needs_each_to_be_below_the_line(self, step, claimed):
        assert (of([0.15, 0.15, 0.15 + step, 0.15 + step]) is not None) is claimed

    @pytest.mark.parametrize(("wander", "sure"), [(0.02, "probable"), (0.06, "possible")])
    def test_is_only_possible_where_the_member_wanders_nearly_as_much_as_it_steps(self, wander, sure):
        # Steps of 20 points; windows that alternate lie `wander` off their mean: 4 x 2 points are 8, 4 x 6 are 24.
        def level(mean):
            return [mean - wander, mean + wander] * 6

        found = of([*level(0.40), *level(0.60), *level(0.80)])

        assert found.sure == sure
        assert bool(found.evidence.against) is (sure == "possible")
