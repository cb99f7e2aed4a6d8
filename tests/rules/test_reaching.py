from replay_examples import MIDNIGHT_MS, a_past

from service.rules.reaching import bounds_ms, reach
from service.terms import Span


class TestReach:
    def test_begins_ten_minutes_before_and_ends_two_windows_after(self):
        assert reach(Span(MIDNIGHT_MS, 2)) == (MIDNIGHT_MS - 600_000, MIDNIGHT_MS + 120_000)


class TestBoundsMs:
    def test_are_those_of_the_samples(self):
        assert bounds_ms(a_past(hours=1).samples) == (MIDNIGHT_MS, MIDNIGHT_MS + 3_600_000)
