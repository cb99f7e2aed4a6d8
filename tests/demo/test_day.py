"""What the rules make of the demo's day. What is asked of it is the scenario's own."""

from __future__ import annotations

import pytest
from demo.assessed import assessed

from service.demo.plots import monday, tuesday
from service.demo.scenario import scenario
from service.terms import Status


@pytest.fixture(scope="module")
def of_the_day(day):
    return assessed(day)


class TestDay:
    def test_holds_two_findings_and_no_more(self, of_the_day):
        assert [(f.device, f.team, f.direction, f.kind) for f in of_the_day.findings] == [
            ("sm-07", "front", "egress", "uneven"),
            ("sm-12", "store", "egress", "full"),
        ]

    def test_raises_sm_07_three_windows_after_02_14_and_calls_it_minor_after_15_minutes(self, of_the_day):
        steps = [(step.what, step.at_ms) for step in of_the_day.steps if step.at_ms > tuesday(2)]

        assert steps == [("raised", tuesday(2, 15) + 30_000), ("severity", tuesday(2, 29))]

    def test_raises_sm_12_soon_after_13_and_clears_it_five_minutes_after_15(self, of_the_day):
        steps = [(step.what, step.at_ms) for step in of_the_day.steps if step.at_ms < tuesday(0)]

        assert steps == [("raised", monday(13, 1) + 30_000), ("cleared", monday(15, 5))]

    def test_notes_a_silent_source_and_a_clock_that_is_off_and_nothing_else(self, of_the_day):
        assert sorted((event.kind, event.device) for event in of_the_day.events) == [
            ("clock-offset", "sm-02"),
            ("silent", "uw-06"),
        ]

    def test_has_a_use_for_every_interval(self, of_the_day):
        firsts = of_the_day.intervals.status == Status.NONE

        assert firsts.sum() == 2 * 128
        assert (of_the_day.intervals.status[~firsts] == Status.OK).all()


class TestBackground:
    @pytest.mark.parametrize("seed", [1, 2])
    def test_raises_nothing_whatever_the_seed(self, seed):
        assert assessed(scenario(seed, plots=())).findings == ()
