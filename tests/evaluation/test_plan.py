"""What is due, and from which window."""

from __future__ import annotations

import numpy as np
import pytest
from examples import EPOCH_MS, a_finding

from service.evaluation.plan import RESTATED_MS, WINDOWS_AT_ONCE, Errand, Policy, _begun_by, _sliced
from service.terms import Rule

WINDOW_MS = 30_000


def an_errand(start: int, end: int, decided: int) -> Errand:
    at = (EPOCH_MS + slot * WINDOW_MS for slot in (start, end, decided))
    return Errand(np.array([1], dtype=np.int32), *at)


def found(since: int, raised: int, cleared: int | None):
    """A finding by the numbers of windows."""
    at = [None if slot is None else EPOCH_MS + slot * WINDOW_MS for slot in (since, raised, cleared)]
    return a_finding(since_ms=at[0], raised_ms=at[1], cleared_ms=at[2])


class TestErrand:
    def test_is_late_where_it_starts_before_what_was_decided(self):
        assert an_errand(3, 9, 4).is_late
        assert not an_errand(4, 9, 4).is_late

    def test_comes_in_pieces_that_meet_and_hold_all_windows(self):
        spans = list(an_errand(0, 2 * WINDOWS_AT_ONCE + 1, 0).pieces(WINDOW_MS))

        assert [span.count for span in spans] == [WINDOWS_AT_ONCE, WINDOWS_AT_ONCE, 1]
        assert [span.end_ms for span in spans[:-1]] == [span.first_ms for span in spans[1:]]

    def test_parts_with_what_is_too_old_to_change_findings(self):
        day = RESTATED_MS // WINDOW_MS

        old, recent = an_errand(0, day + 20, day + 10).parted(WINDOW_MS)

        assert old == an_errand(0, 10, day + 10)
        assert recent == an_errand(10, day + 20, day + 10)

    def test_is_whole_where_all_of_it_is_recent(self):
        errand = an_errand(0, 20, 10)

        assert errand.parted(WINDOW_MS) == (None, errand)


class TestBegunBy:
    @pytest.mark.parametrize(
        ("findings", "start"),
        [
            ([], 50),
            ([found(10, 13, 50)], 50),  # over by then
            ([found(40, 51, None)], 50),  # not raised by then
            ([found(40, 43, None)], 40),
            ([found(40, 43, 60)], 40),
            # One that was open where another began, though it was over before the late sample.
            ([found(40, 43, None), found(20, 23, 45)], 20),
            ([found(40, 43, None), found(20, 23, 40)], 40),
        ],
    )
    def test_goes_back_until_none_was_open(self, findings, start):
        assert _begun_by(EPOCH_MS + 50 * WINDOW_MS, findings, WINDOW_MS) == EPOCH_MS + start * WINDOW_MS


class TestSliced:
    @pytest.mark.parametrize(("windows", "sizes"), [(1, [500, 500, 200]), (120, [500, 500, 200]), (600, [100] * 12)])
    def test_takes_fewer_teams_where_there_is_much_to_catch_up(self, windows, sizes):
        slices = list(_sliced(range(1200), windows))

        assert [len(some) for some in slices] == sizes
        assert np.concatenate(slices).tolist() == list(range(1200))

    def test_takes_a_team_however_much_there_is(self):
        assert [some.tolist() for some in _sliced([7, 8], 1_000_000)] == [[7], [8]]


class TestPolicy:
    def test_waits_as_the_settings_say_of_a_feed_and_as_for_a_polled_one_otherwise(self):
        policy = Policy(lambda device, team: Rule(), {"push": 90_000})

        assert policy.waits_ms("push") == 90_000
        assert policy.waits_ms("snmp") == 15_000
