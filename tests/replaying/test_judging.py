from dataclasses import replace

import numpy as np
import pytest
from replay_examples import DAY_MS, MIDNIGHT_MS, Episode, a_past, a_trial, in_memory

from service.errors import UnusableInput
from service.replaying.judging import Errand, replayed
from service.rules.assess import Run, assess
from service.rules.layouts import layout_of
from service.terms import Rule, Span

EVENING_MS = MIDNIGHT_MS + 22 * 3_600_000
OVER_MIDNIGHT = Episode(100, 60)  # from 23:40 to 00:40


def judged(past, **tried):
    [history] = in_memory(past)
    return replayed(Errand(history, a_trial(past, **tried)))


def at_once(past, rule):
    """What one assessment of all of it finds."""
    layout, _ = layout_of(past.ports)
    first_ms, last_ms = int(past.samples.at_ms.min()), int(past.samples.at_ms.max())
    span = Span(first_ms, (last_ms - first_ms) // 30_000)
    return assess(Run(past.samples, past.facts, layout, (rule,) * len(layout.teams), span)).findings


def silenced(past):
    """The same with packets told by sort and ingress at 12 %, which on m2 ends half an hour after the start."""
    samples = past.samples
    counters = np.concatenate([samples.counters, np.zeros((len(samples), 4), dtype=np.uint64)], axis=1)
    counters[:, [1, 3]] *= np.uint64(12)
    mute = np.flatnonzero((samples.port == 1) & (samples.at_ms > EVENING_MS + 1_800_000))
    counters[mute[:, np.newaxis], [1, 3]] = counters[mute[0], [1, 3]]
    known = np.full(len(samples), 0xFF, dtype=np.uint16)
    return replace(past, samples=replace(samples, counters=counters, known=known, columns=tuple(range(8))))


class TestReplayed:
    def test_carries_a_finding_over_midnight(self):
        past = a_past(OVER_MIDNIGHT, hours=4, start_ms=EVENING_MS)

        [finding] = judged(past).present

        assert finding.raised_ms < MIDNIGHT_MS + DAY_MS < finding.cleared_ms

    # Outside check: the one assessment that `lopside check` makes.
    @pytest.mark.parametrize(
        "tried", [{"hot_above": 0.8}, {"hot_above": 0.95}, {"coverage_min": 0.5}, {"raise_windows": 4}]
    )
    def test_finds_what_one_assessment_of_all_days_finds(self, tried):
        episodes = [OVER_MIDNIGHT, Episode(10, 20, 1, (0.78, 0.25)), Episode(180, 30, 2, (0.3, 0.85))]
        past = a_past(*episodes, teams=3, hours=26, start_ms=EVENING_MS)

        outcomes = [replayed(Errand(history, a_trial(past, **tried))) for history in in_memory(past)]

        present = sorted((f for one in outcomes for f in one.present), key=lambda f: f.id)
        found = sorted((f for one in outcomes for f in one.tried), key=lambda f: f.id)
        assert len(present) == 3
        assert present == sorted(at_once(past, Rule()), key=lambda f: f.id)
        assert found == sorted(at_once(past, replace(Rule(), **tried)), key=lambda f: f.id)

    # Outside check: the one assessment that `lopside check` makes.
    def test_finds_members_that_are_unfit_under_either_ruling(self):
        past = silenced(a_past(Episode(40, 60, 0, (0.92, 0.3)), hours=4, start_ms=EVENING_MS))

        outcome = judged(past, hot_above=0.95)

        assert [finding.kind for finding in outcome.present] == ["one-sided", "hot-no-sibling"]
        assert [finding.kind for finding in outcome.tried] == ["one-sided"]
        assert outcome.tried == at_once(past, replace(Rule(), hot_above=0.95))

    def test_measures_windows_of_another_length(self):
        past = a_past(Episode(60, 30), hours=3)

        outcome = judged(past, window_seconds=60)

        assert outcome.present[0].windows_flagged == pytest.approx(2 * outcome.tried[0].windows_flagged, abs=2)

    def test_counts_windows_under_the_present_rules(self):
        outcome = judged(a_past(hours=1))

        assert (outcome.teams, outcome.windows, outcome.evaluable) == (1, 240, 240)

    def test_says_what_is_refused(self):
        class Broken:
            layout = layout_of(a_past().ports)[0]

            def past(self, span):
                raise UnusableInput("day.parquet", "is torn", "have it written again")

        outcome = replayed(Errand(Broken(), a_trial(a_past())))

        assert outcome.refused == "day.parquet: is torn; have it written again"
        assert outcome.present == ()

    def test_takes_speeds_that_people_set(self):
        past = a_past(Episode(30, 30), hours=2)
        [history] = in_memory(past)

        slow = replace(history, speeds=np.full(2, 10_000_000_000, dtype=np.int64))

        assert replayed(Errand(slow, a_trial(past))).present == ()
