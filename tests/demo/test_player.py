from __future__ import annotations

from itertools import pairwise

from service.demo.player import Pushed, steps
from service.demo.plots import END_MS, START_MS


class TestSteps:
    def test_cover_the_day_from_before_its_first_reading_to_its_last(self):
        told = list(steps())

        assert told[0][0] < START_MS
        assert told[-1][1] == END_MS
        assert all(end == start for (_, end), (start, _) in pairwise(told))
        assert all(start < end for start, end in told)


class TestPushed:
    def test_adds_up(self):
        assert Pushed(1, 2, 3) + Pushed(10, 20, 30) == Pushed(11, 22, 33)
