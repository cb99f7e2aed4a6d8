"""Samples that arrive after their windows were decided."""

from __future__ import annotations

import pytest
from walks.outcome import at_once, left, same_figures
from walks.traffic import START_S, polls

from service.storage import findings
from service.storage.database import reading

# Hot for nine minutes but for 30 s in the middle, of which only the late samples know.
SAMPLES = polls((3, (0.92, 0.02)), (1, (0.92, 0.02)), (1, (0.20, 0.02)), (5, (0.92, 0.02)))
DIP_S = range(4 * 60 + 10, 5 * 60)
END_S = 10 * 60
LATENESS_S = 90
LATE = [sample for sample in SAMPLES if sample["time"] - START_S in DIP_S]
TIMELY = [sample for sample in SAMPLES if sample not in LATE]


@pytest.fixture
def decided(way):
    way.walk(TIMELY, step_s=60, end_s=END_S)
    way.work(END_S + LATENESS_S)
    return way


def history(way):
    with reading(way.parts.engine) as connection:
        (kept,) = findings.listing(connection).items
        return findings.history(connection, kept.finding.id)


class TestLateSamples:
    def test_rebuild_the_windows_they_touch(self, decided):
        decided.push(LATE)
        decided.work(END_S + LATENESS_S + 10)

        kept = left(decided.parts.engine, END_S)
        assert same_figures(kept.members, at_once(SAMPLES, END_S).members)
        assert set((kept.restated[0] > 0).nonzero()[0].tolist()) <= {7, 8, 9, 10}
        assert kept.restated.any()

    def test_leave_a_line_in_the_history_with_old_and_new_figures(self, decided):
        decided.push(LATE)
        decided.work(END_S + LATENESS_S + 10)

        lines = [line for line in history(decided) if line.what == "restated"]
        assert len(lines) == 1
        figures = lines[0].details["figures"]
        assert all(figure["old"] != figure["new"] for figure in figures)

    def test_send_no_message_again(self, decided):
        told = decided.told()

        decided.push(LATE)
        decided.work(END_S + LATENESS_S + 10)

        assert told == ["raised"]
        assert decided.told() == told
