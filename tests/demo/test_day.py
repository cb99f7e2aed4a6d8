"""What the rules make of the demo's day. What is asked of it is the scenario's own."""

from __future__ import annotations

import pytest
from demo.assessed import assessed

from service.demo.plots import tuesday, wednesday
from service.demo.scenario import scenario
from service.terms import Status


@pytest.fixture(scope="module")
def of_the_day(day):
    return assessed(day)


class TestDay:
    def test_holds_what_is_planted_and_no_more(self, of_the_day):
        fleet = [(f"uw-{number:02d}", "front", "ingress", "uneven") for number in range(1, 9)]
        assert sorted((f.device, f.team, f.direction, f.kind) for f in of_the_day.findings) == sorted(
            [
                ("sm-03", "front", "egress", "uneven"),
                ("sm-07", "front", "egress", "uneven"),
                ("sm-11", "front", "egress", "unanswered"),
                ("sm-12", "store", "egress", "full"),
                ("uw-02", "store", "egress", "uneven"),
                *fleet,
            ]
        )

    @pytest.mark.parametrize(
        ("device", "team", "steps"),
        [
            # Hot from the first window on until it is changed; calm ten windows later.
            ("sm-03", "front", [("raised", tuesday(0, 32) + 30_000), ("cleared", tuesday(22, 15))]),
            # Three windows after 02:14; above 90 % for 15 minutes it is minor.
            ("sm-07", "front", [("raised", wednesday(2, 15) + 30_000), ("severity", wednesday(2, 29))]),
            # Twenty windows after 01:56.
            ("sm-11", "front", [("raised", wednesday(2, 6))]),
            ("sm-12", "store", [("raised", tuesday(13, 1) + 30_000), ("cleared", tuesday(15, 5))]),
            ("uw-02", "store", [("raised", wednesday(1, 52) + 30_000)]),
            ("uw-05", "front", [("raised", tuesday(18, 1) + 30_000), ("cleared", tuesday(20, 5))]),
        ],
    )
    def test_raises_and_clears_each_in_time(self, of_the_day, device, team, steps):
        ids = {f.id for f in of_the_day.findings if (f.device, f.team) == (device, team)}

        assert [(step.what, step.at_ms) for step in of_the_day.steps if step.finding_id in ids] == steps

    def test_finds_them_as_grave_as_they_are(self, of_the_day):
        grave = {f.device + " " + f.team: str(f.severity) for f in of_the_day.findings if f.severity != "warning"}

        assert grave == {"sm-07 front": "minor", "sm-11 front": "major", "uw-02 store": "minor"}

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
