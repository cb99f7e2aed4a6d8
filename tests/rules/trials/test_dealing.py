import itertools

import pytest

from service.rules.trials.dealing import dealt


class TestDealt:
    """What is compared with: every way of giving the streams to members, tried by hand or by brute force."""

    def test_tells_streams_of_several_rates_apart(self):
        assert dealt((300.0, 210.0), {100.0: 3, 210.0: 1}) == ((3, 0), (0, 1))

    def test_says_nothing_where_two_ways_fit_as_well(self):
        assert dealt((200.0, 200.0), {100.0: 2, 200.0: 1}) is None

    def test_says_nothing_where_not_all_streams_are_there(self):
        assert dealt((100.0, 0.0), {100.0: 2}) is None

    @pytest.mark.parametrize(("off", "told"), [(24.0, True), (26.0, False)])
    def test_takes_heights_within_a_quarter_of_the_smallest(self, off, told):
        assert (dealt((100.0 + off, 500.0), {100.0: 1, 500.0: 1}) is not None) is told

    def test_gives_up_where_there_are_too_many_ways(self):
        assert dealt((1.0,) * 8, {float(rate): 8 for rate in range(1, 5)}) is None

    @pytest.mark.parametrize("members", [1, 2, 3])
    def test_finds_what_brute_force_finds(self, members):
        rates = {70.0: 2, 110.0: 1, 400.0: 1}
        streams = [70.0, 70.0, 110.0, 400.0]
        for places in itertools.product(range(members), repeat=len(streams)):
            heights = [sum(r for r, at in zip(streams, places, strict=True) if at == k) for k in range(members)]

            counts = dealt(heights, rates)

            assert counts is not None
            for rate, row in zip(sorted(rates), counts, strict=True):
                at = [place for r, place in zip(streams, places, strict=True) if r == rate]
                assert row == tuple(at.count(k) for k in range(members))
