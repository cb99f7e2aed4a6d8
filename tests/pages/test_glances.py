import pytest
from examples import EPOCH_MS
from storage_examples import some_kinds, some_windows, three_teams

from service.pages.glances import glances
from service.storage import inventory, team_search, windows
from service.storage.team_search import Sought
from service.terms import DIRECTIONS

WIDTH_MS = 30_000
END_MS = EPOCH_MS + 4 * WIDTH_MS


@pytest.fixture
def placed(connection):
    """Three teams and four windows of each."""
    placed = three_teams(connection)
    windows.write(connection, placed, some_windows(), some_kinds())
    return placed


def decided(connection, team_ids, until_ms):
    inventory.note_decided(connection, team_ids, until_ms)


def listed(connection):
    return team_search.found(connection, Sought()).items


class TestGlances:
    def test_name_the_fullest_and_the_emptiest_other_that_could_carry_load(self, connection, placed):
        decided(connection, [1, 2, 3], END_MS)
        given = some_windows()

        found = glances(connection, listed(connection), WIDTH_MS)

        for team, members in (("front", (0, 1)), ("store", (2, 3, 4)), ("shift", (5, 6))):
            team_id = inventory.team_named(connection, "sm-07", team)
            for way in range(2):
                figures = {f"{team}{k}": given.utilisation[port, 3, way] for k, port in enumerate(members)}
                fullest = max(figures, key=figures.get)
                could = {
                    f"{team}{k}": figures[f"{team}{k}"]
                    for k, port in enumerate(members)
                    if given.why_not[port, 3, way] == 0 and f"{team}{k}" != fullest
                }
                glance = found[team_id][way]
                assert (glance.start_ms, glance.fullest.port) == (END_MS - WIDTH_MS, fullest)
                assert glance.fullest.utilisation == pytest.approx(figures[fullest])
                assert (glance.emptiest.port if glance.emptiest else None) == min(could, key=could.get, default=None)
                assert f"port={fullest}&direction={DIRECTIONS[way]}&start=" in glance.fullest.working

    def test_say_nothing_of_a_window_that_says_nothing(self, connection):
        blank = some_windows()
        blank.utilisation[:] = float("nan")
        windows.write(connection, three_teams(connection), blank, some_kinds())
        decided(connection, [1, 2, 3], END_MS)

        assert glances(connection, listed(connection), WIDTH_MS) == {1: [None, None], 2: [None, None], 3: [None, None]}

    def test_take_the_window_before_of_a_team_that_is_a_window_behind(self, connection):
        placed = three_teams(connection)
        there = some_kinds() >= 0
        there = there[:, :, 0]
        there[0, 3] = False
        windows.write(connection, placed, some_windows(), some_kinds(), there)
        decided(connection, [2, 3], END_MS)

        found = glances(connection, listed(connection), WIDTH_MS)

        assert {found[1][0].start_ms, found[2][0].start_ms} == {END_MS - 2 * WIDTH_MS, END_MS - WIDTH_MS}

    def test_leave_out_a_team_that_is_far_behind(self, connection, placed):
        decided(connection, [1, 2, 3], END_MS + 10 * WIDTH_MS)

        assert glances(connection, listed(connection), WIDTH_MS) == {}

    def test_are_none_where_nothing_was_decided(self, connection, placed):
        assert glances(connection, listed(connection), WIDTH_MS) == {}
