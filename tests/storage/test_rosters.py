from types import SimpleNamespace

import numpy as np
from examples import EPOCH_MS
from storage_examples import FOUR_WINDOWS, some_kinds, some_windows, three_teams

from service.storage import inventory, rollups, rosters, windows
from service.terms import PortName, Span

WIDTH_MS = 30_000
NEXT = Span(FOUR_WINDOWS.end_ms, 2)


def ids_of(placed, team_id):
    row = placed.team_ids.tolist().index(team_id)
    seats = placed.layout.members[row]
    return tuple(placed.port_ids[seats[seats >= 0]].tolist())


class TestOfWindows:
    def test_name_the_ports_of_each_window_by_position(self, connection):
        placed = three_teams(connection)
        windows.write(connection, placed, some_windows(), some_kinds())

        found = rosters.of_windows(connection, 2, EPOCH_MS, FOUR_WINDOWS.end_ms, WIDTH_MS)

        assert found == dict.fromkeys(FOUR_WINDOWS.starts().tolist(), ids_of(placed, 2))
        assert len(ids_of(placed, 2)) == 3

    def test_are_half_open(self, connection):
        windows.write(connection, three_teams(connection), some_windows(), some_kinds())
        starts = FOUR_WINDOWS.starts().tolist()

        assert list(rosters.of_windows(connection, 1, starts[1], starts[3], WIDTH_MS)) == starts[1:3]

    def test_keep_who_was_a_member_when(self, connection):
        before = three_teams(connection)
        windows.write(connection, before, some_windows(), some_kinds())
        inventory.resolve(connection, [PortName("sm-07", "front2", "front")], feed="push", now_ms=NEXT.first_ms)
        after = inventory.layout(connection)
        windows.write(connection, after, some_windows(8, NEXT), some_kinds(span=NEXT))

        found = rosters.of_windows(connection, 1, EPOCH_MS, NEXT.end_ms, WIDTH_MS)

        assert found[FOUR_WINDOWS.first_ms] == ids_of(before, 1)
        assert found[NEXT.first_ms] == ids_of(after, 1)
        assert len(found[NEXT.first_ms]) == len(found[FOUR_WINDOWS.first_ms]) + 1

    def test_leave_out_windows_of_another_width(self, connection):
        windows.write(connection, three_teams(connection), some_windows(), some_kinds())

        assert rosters.of_windows(connection, 1, EPOCH_MS, FOUR_WINDOWS.end_ms, 10_000) == {}


class TestOfRollups:
    def test_name_the_ports_of_each_by_position(self, connection):
        placed = three_teams(connection)
        span = Span(EPOCH_MS, 2, rollups.WIDTH_MS)
        figures = {name: np.zeros((7, 2, 2)) for name in ("mean", "peak", "hot_seconds", "coverage")}
        rollups.write(connection, placed, SimpleNamespace(span=span, **figures))

        found = rosters.of_rollups(connection, 2, EPOCH_MS, span.end_ms)

        assert found == dict.fromkeys(span.starts().tolist(), ids_of(placed, 2))

    def test_are_none_where_none_is_kept(self, connection):
        three_teams(connection)

        assert rosters.of_rollups(connection, 1, EPOCH_MS, NEXT.end_ms) == {}
