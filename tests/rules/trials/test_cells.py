import numpy as np
import pytest
from examples import EPOCH_MS, GIGABIT, facts_of, samples_of

from service.numerics.intervals import intervals
from service.rules.trials.cells import MOST_CELLS, Ports, cells_of

WHOLE = (0, 2**60)


def polls(*members, every_s=10):
    """Samples of members, each a list of (second, octets) or octets at every poll."""
    rows = []
    for port, some in enumerate(members):
        for at, one in enumerate(some):
            second, octets = one if isinstance(one, tuple) else (at * every_s, one)
            rows.append({"port": port, "at": EPOCH_MS / 1000 + second, "out_octets": octets})
    return rows


def told(rows, count=2, between=WHOLE, speeds=None):
    set_for = np.zeros(count, dtype=np.int64) if speeds is None else np.array(speeds, dtype=np.int64)
    ports = Ports({at: f"m{at + 1}" for at in range(count)}, set_for)
    return cells_of(intervals(samples_of(rows), facts_of()), facts_of(), "egress", ports, between)


class TestCells:
    def test_are_what_members_counted_between_polls(self):
        found = told(polls([0, 100, 300], [0, 10, 10]))

        assert found.octets.tolist() == [[100, 200], [10, 0]]
        assert found.widths_ms.tolist() == [10_000, 10_000]
        assert found.poll_ms == 10_000

    def test_apportion_what_was_polled_at_other_moments(self):
        found = told(polls([0, 100, 200, 300], [(5, 0), (15, 100), (25, 400)]))

        assert found.octets[0].tolist() == [100, 100, 100]
        assert np.isnan(found.octets[1]).tolist() == [True, False, True]
        assert found.octets[1, 1] == pytest.approx(50 + 150)

    def test_know_nothing_of_what_was_not_polled(self):
        found = told(polls([0, 100, 200, 300], [(0, 0), (10, 10)]))

        assert np.isnan(found.octets[1]).tolist() == [False, True, True]

    def test_know_nothing_across_a_restart(self):
        found = told(polls([0, 100, 200], [500, 600, 50]))

        assert np.isnan(found.octets[1]).tolist() == [False, True]

    def test_take_nothing_outside_of_the_time_asked_for(self):
        found = told(polls([0] * 10, [0] * 10), between=(EPOCH_MS + 15_000, EPOCH_MS + 55_000))

        assert (found.edges_ms - EPOCH_MS).tolist() == [20_000, 30_000, 40_000, 50_000]

    def test_take_a_speed_that_is_set_for_the_one_that_is_told(self):
        assert told(polls([0, 1], [0, 1]), speeds=[0, 10 * GIGABIT]).speeds_bps.tolist() == [GIGABIT, 10 * GIGABIT]

    def test_are_empty_where_nothing_was_polled(self):
        found = told(polls([0, 1], [0, 1]), between=(0, 1))

        assert found.octets.shape == (2, 0)
        assert found.poll_ms == 0

    def test_become_coarser_where_there_are_too_many(self):
        found = told(polls(range(2 * MOST_CELLS + 2), every_s=1), count=1)

        assert found.octets.shape[1] <= MOST_CELLS
        assert set(found.octets[0].tolist()) == {3.0}

    def test_leave_out_a_cell_that_a_member_lacks(self):
        found = told(polls([0, 1, 2], [0, 1]))

        assert found.within(0, 2**60).tolist() == [True, False]
