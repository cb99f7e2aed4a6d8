import numpy as np
from examples import EPOCH_MS

from service.storage import arrivals


class TestArrivals:
    def test_stay_until_they_are_forgotten_by_id(self, connection):
        arrivals.note(connection, np.array([3, 5], dtype=np.int32), np.array([EPOCH_MS, EPOCH_MS + 1]))
        arrivals.note(connection, np.array([7], dtype=np.int32), np.array([EPOCH_MS + 2]))

        first, second = arrivals.pending(connection)
        arrivals.forget(connection, [first.id])

        assert (first.team_ids.tolist(), first.from_ms.tolist()) == ([3, 5], [EPOCH_MS, EPOCH_MS + 1])
        assert [left.id for left in arrivals.pending(connection)] == [second.id]

    def test_of_no_team_leave_no_row(self, connection):
        arrivals.note(connection, np.array([], dtype=np.int32), np.array([], dtype=np.int64))

        assert arrivals.pending(connection) == []
