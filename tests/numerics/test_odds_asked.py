import pytest

from service.errors import WrongQuestion
from service.numerics.odds_asked import Question, answer

G = 1e9


def asked(items, **told):
    return answer(Question(**{"items": tuple(items), "capacity": (G, G), "background": (0.0, 0.0), **told}))


class TestAnswer:
    def test_says_nothing_of_what_is_not_known(self):
        found = asked([430e6, 390e6])

        assert (found.now, found.load_aware) == (None, None)

    def test_says_how_it_stands_where_items_are_known(self):
        found = asked([430e6, 390e6, 60e6, 40e6], current=(0, 0, 0, 0))

        assert found.now.utilisation == (0.92, 0.0)
        assert not found.now.fits
        assert found.load_aware.fits
        assert found.best.moves == 2

    @pytest.mark.parametrize(
        ("items", "told", "word"),
        [
            ([940e6], {}, "one item alone"),
            ([500e6] * 4, {}, "capacity"),
            ([10e6], {"background": (800e6, 0.0)}, "stays where it is"),
        ],
    )
    def test_says_why_it_cannot_be(self, items, told, word):
        found = asked(items, **told)

        assert word in found.why
        assert found.chances[0].success == 0

    def test_says_no_reason_where_it_can_be(self):
        assert asked([400e6, 300e6]).why == ""

    def test_has_a_typical_split_of_two_links_of_one_speed_alone(self):
        assert asked([1e6] * 25).typical_share == pytest.approx(0.6)
        assert asked([1e6], capacity=(G, 10 * G)).typical_share is None
        assert asked([1e6], background=(0.0, 1e6)).typical_share is None

    def test_states_what_it_assumes_and_cautions(self):
        found = asked([1e6])

        assert any("independently" in text for text in found.assumptions)
        assert any("authorised" in text for text in found.cautions)
        assert "busiest" in found.objective

    def test_takes_items_that_carry_nothing(self):
        found = asked([0.0])

        assert (found.effective_items, found.typical_share, found.chances[0].success) == (0, None, 1)

    def test_refuses_no_items(self):
        with pytest.raises(WrongQuestion, match="at least one item"):
            asked([])
