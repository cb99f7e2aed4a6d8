from dataclasses import replace

import pytest
from rules.trials.planned import a_group, a_plan, polled

from service.rules.trials.trial import judged


def steady(m1, m2, before=(0, 0)):
    return polled([before[0]] * 6 + [m1] * 60 + [0] * 6, [before[1]] * 6 + [m2] * 60 + [0] * 6)


class TestJudged:
    def test_is_complete_once_polls_reach_past_its_end(self):
        assert judged(a_plan(), steady(500, 300)).complete is True
        assert judged(a_plan(), polled([500] * 59, [300] * 59, first_s=0)).complete is False

    def test_tells_each_member_while_most_is_offered(self):
        found = judged(a_plan(), steady(500, 300))

        assert [one.counted_bps for one in found.members] == pytest.approx([500e6, 300e6])
        assert [one.utilisation for one in found.members] == pytest.approx([0.51, 0.306])  # 1020 of 1000 octets

    def test_tells_members_as_they_were_before_the_change(self):
        cells = polled([0] * 6 + [500] * 30 + [400] * 30, [0] * 6 + [300] * 30 + [400] * 30)

        found = judged(a_plan(changes_s=(300,)), cells)

        assert [one.counted_bps for one in found.members] == pytest.approx([500e6, 300e6])

    @pytest.mark.parametrize(("count", "word"), [(1, "one stream stays on one member"), (2, None), (8, None)])
    def test_warns_of_fewer_streams_than_members(self, count, word):
        found = judged(a_plan(a_group(count, 100)), steady(100 * count, 0))

        assert any("cannot show whether load spreads" in text for text in found.warnings) is (word is not None)

    def test_says_that_a_member_is_full_where_less_came(self):
        found = judged(a_plan(a_group(11, 100)), steady(960, 0))

        assert any("m1 is full" in text for text in found.warnings)

    def test_says_that_something_else_ran_where_more_came(self):
        assert any("something else ran" in text for text in judged(a_plan(), steady(700, 300)).warnings)

    @pytest.mark.parametrize(("mbps", "told"), [(8, False), (9, True)])
    def test_says_that_something_ran_before(self, mbps, told):
        found = judged(a_plan(), steady(500 + mbps, 300 + mbps, (mbps, mbps)))

        assert any("ran before the check" in text for text in found.warnings) is told

    def test_says_where_what_comes_in_is_lost(self):
        found = judged(replace(a_plan(), direction="ingress"), steady(500, 300))

        assert any("far-end ports" in text for text in found.warnings)

    def test_doubts_the_overhead_where_frames_are_of_another_size(self):
        cells = steady(500, 300)
        cells.frames[:] = cells.octets / 500

        assert any("frames had 500 octets" in text for text in judged(a_plan(), cells).warnings)

    def test_tells_the_odds_beside_what_was_seen(self):
        """Of eight alike on two: 1 - 70/256 has five or more on one (binomial distribution, by hand)."""
        found = judged(a_plan(), steady(500, 300)).foretold

        assert found.as_uneven == pytest.approx(1 - 70 / 256)
        # Seven take 714 of the 750 Mbit/s on the wire, eight 816: only all on one is above the line.
        assert found.success == pytest.approx(1 - 2 / 256)
        assert (found.most_on_one, found.seen_above) == (5, False)

    def test_reckons_the_odds_beside_what_ran_before(self):
        found = judged(a_plan(), steady(540, 340, (40, 40))).foretold

        assert found.success == pytest.approx(1 - 18 / 256)

    def test_knows_no_odds_without_speeds(self):
        cells = steady(500, 300)
        cells.speeds_bps[0] = 0

        assert judged(a_plan(), cells).foretold is None
