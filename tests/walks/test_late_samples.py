"""Samples that arrive after their windows were decided."""

from __future__ import annotations

import numpy as np
import pytest
from examples import EPOCH_MS
from walks.outcome import at_once, left, same_figures
from walks.traffic import START_S, polls

from service.storage import findings
from service.storage.database import reading

# Hot for ten minutes but for 30 s. The samples of that minute come late: without them both of its windows show the
# mean of 56 %, with them one shows 20 % and the other 92 %.
SAMPLES = polls((4, (0.92, 0.02)), (0.5, (0.20, 0.02)), (5.5, (0.92, 0.02)))
LATE_S = range(4 * 60 + 10, 5 * 60)
END_S = 10 * 60
LATENESS_S = 90
LATE = [sample for sample in SAMPLES if sample["time"] - START_S in LATE_S]
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
        assert np.flatnonzero(kept.restated[0]).tolist() == [8, 9]

    def test_leave_a_line_in_the_history_with_old_and_new_figures(self, decided):
        decided.push(LATE)
        decided.work(END_S + LATENESS_S + 10)

        lines = [line for line in history(decided) if line.what == "restated"]
        assert len(lines) == 1
        told = {(figure["port"], figure["start_ms"]): figure for figure in lines[0].details["figures"]}
        minute_ms = EPOCH_MS + 4 * 60_000
        assert {key: (figure["old"], figure["new"]) for key, figure in told.items()} == {
            ("m1", minute_ms): (pytest.approx(0.56), pytest.approx(0.20)),
            ("m1", minute_ms + 30_000): (pytest.approx(0.56), pytest.approx(0.92)),
        }

    def test_send_no_message_again(self, decided):
        told = decided.told()

        decided.push(LATE)
        decided.work(END_S + LATENESS_S + 10)

        assert told == ["raised"]
        assert decided.told() == told
