from replay_examples import DAY_MS, MIDNIGHT_MS

from service.replaying.history import days
from service.terms import Span


class TestDays:
    def test_are_cut_at_midnight(self):
        spans = list(days(MIDNIGHT_MS - 3_600_000, MIDNIGHT_MS + DAY_MS + 60_000, 30_000))

        assert spans == [
            Span(MIDNIGHT_MS - 3_600_000, 120),
            Span(MIDNIGHT_MS, 2880),
            Span(MIDNIGHT_MS + DAY_MS, 2),
        ]

    def test_are_of_whole_windows(self):
        assert list(days(MIDNIGHT_MS + 7_000, MIDNIGHT_MS + 61_000, 30_000)) == [Span(MIDNIGHT_MS, 3)]

    def test_are_none_of_no_time(self):
        assert list(days(MIDNIGHT_MS, MIDNIGHT_MS, 30_000)) == []
