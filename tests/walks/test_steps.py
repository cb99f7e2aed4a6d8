"""Evaluation follows the data, not the tick."""

from __future__ import annotations

import numpy as np
import pytest
from walks.outcome import at_once, left, same_figures
from walks.traffic import polls

MINUTES = ((4, (0.30, 0.25)), (8, (0.92, 0.02)), (8, (0.47, 0.46)))
SAMPLES = polls(*MINUTES)
END_S = 60 * sum(minutes for minutes, _ in MINUTES)
LATENESS_S = 90


@pytest.fixture(scope="module")
def expected():
    return at_once(SAMPLES, END_S)


def is_as_expected(engine, expected) -> bool:
    kept = left(engine, END_S)
    steps = [(step.finding_id, step.at_ms, step.what) for step in expected.steps]
    return (
        same_figures(kept.members, expected.members)
        and np.array_equal(kept.kinds[0], expected.teams.kind[0])
        and kept.found == list(expected.findings)
        and kept.lines == steps
    )


class TestEvaluation:
    def test_has_something_to_find(self, expected):
        assert [(step.what, step.at_ms // 1000 % 3600) for step in expected.steps] == [
            ("raised", 330),
            ("cleared", 1020),
        ]

    @pytest.mark.parametrize("step_s", [30, 70, 420, END_S])
    def test_gives_in_steps_of_any_size_what_it_gives_at_once(self, way, expected, step_s):
        way.walk(SAMPLES, step_s=step_s, end_s=END_S)
        way.work(END_S + LATENESS_S)

        assert is_as_expected(way.parts.engine, expected)

    def test_changes_nothing_when_it_runs_twice(self, way, expected):
        way.walk(SAMPLES, step_s=60, end_s=END_S)
        way.work(END_S + LATENESS_S)
        told = way.told()

        way.push(SAMPLES)
        way.parts.shift.epoch = None  # as another process that takes over, with no memory
        way.work(END_S + LATENESS_S)

        assert is_as_expected(way.parts.engine, expected)
        assert way.told() == told
        assert not left(way.parts.engine, END_S).restated.any()

    def test_run_a_day_late_gives_the_same(self, way, expected):
        way.walk(SAMPLES, step_s=END_S, end_s=END_S)
        way.work(24 * 3600)

        assert same_figures(left(way.parts.engine, END_S).members, expected.members)
        assert [finding.kind for finding in left(way.parts.engine, END_S).found] == ["uneven"]
