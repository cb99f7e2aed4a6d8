import numpy as np
import pytest
from examples import EPOCH_MS
from storage_examples import a_change, three_teams

from service.errors import WrongState
from service.storage import changes, close_looks, database, inventory, retention
from service.storage.changes import Place
from service.storage.close_looks import MOST, CloseLook

MINUTE_MS = 60_000


def a_look(team_id=1, **told):
    """Ten minutes in windows of 5 s."""
    usual = {"width_ms": 5000, "from_ms": EPOCH_MS, "until_ms": EPOCH_MS + 10 * MINUTE_MS, "who": "T. Haverly"}
    return CloseLook(**{"team_id": team_id, **usual, **told})


@pytest.fixture
def connection(engine):
    """A transaction over three teams of one device."""
    with engine.begin() as connection:
        three_teams(connection)
        yield connection


class TestBegin:
    def test_is_found_again(self, connection):
        close_looks.begin(connection, a_look())

        assert close_looks.of_team(connection, 1) == a_look()
        assert close_looks.of_team(connection, 2) is None

    def test_replaces_the_one_before(self, connection):
        close_looks.begin(connection, a_look())
        close_looks.begin(connection, a_look(width_ms=15_000, from_ms=EPOCH_MS + 1, who="A. Wren"))

        assert close_looks.of_team(connection, 1) == a_look(width_ms=15_000, from_ms=EPOCH_MS + 1, who="A. Wren")

    def test_refuses_more_than_so_many_at_once_and_says_so(self, connection):
        for team_id in range(1, MOST + 1):
            close_looks.begin(connection, a_look(team_id))

        with pytest.raises(WrongState, match=f"{MOST} teams"):
            close_looks.begin(connection, a_look(MOST + 1))
        close_looks.begin(connection, a_look(MOST, width_ms=10_000))
        close_looks.end(connection, 3, EPOCH_MS)
        close_looks.begin(connection, a_look(MOST + 1))

    def test_does_not_count_those_that_have_ended(self, connection):
        for team_id in range(1, MOST + 1):
            close_looks.begin(connection, a_look(team_id))
        after_ms = EPOCH_MS + 10 * MINUTE_MS

        close_looks.begin(connection, a_look(MOST + 1, from_ms=after_ms, until_ms=after_ms + MINUTE_MS))


class TestEnd:
    def test_ends_it_now_and_once(self, connection):
        close_looks.begin(connection, a_look())

        assert close_looks.end(connection, 1, EPOCH_MS + 5)
        assert not close_looks.end(connection, 1, EPOCH_MS + 6)
        assert not close_looks.end(connection, 2, EPOCH_MS + 6)
        look = close_looks.of_team(connection, 1)
        assert look.until_ms == EPOCH_MS + 5
        assert not look.lasts(EPOCH_MS + 5)


class TestWanted:
    def test_is_the_narrowest_of_a_device_while_it_lasts(self, connection):
        close_looks.begin(connection, a_look(1, width_ms=15_000))
        close_looks.begin(connection, a_look(2, width_ms=5000, until_ms=EPOCH_MS + MINUTE_MS))

        assert close_looks.wanted(connection, EPOCH_MS) == {"sm-07": 5000}
        assert close_looks.wanted(connection, EPOCH_MS + MINUTE_MS) == {"sm-07": 15_000}
        assert close_looks.wanted(connection, EPOCH_MS + 10 * MINUTE_MS) == {}

    def test_is_no_more_often_than_counters_refresh(self, connection):
        close_looks.begin(connection, a_look())
        inventory.note_device(connection, 1, refresh_ms=15_000)

        assert close_looks.wanted(connection, EPOCH_MS) == {"sm-07": 15_000}


class TestNews:
    def test_is_nothing_where_nobody_looked(self, connection):
        assert close_looks.news(connection, 1, EPOCH_MS) == ()

    def test_is_another_with_each_whole_window_and_no_more_often(self, connection):
        close_looks.begin(connection, a_look())
        told = []
        for at_ms in (0, 2000, 4999, 5000, 9000, 10_000):
            inventory.note_samples(connection, np.array([1], np.int32), np.array([EPOCH_MS + at_ms]), EPOCH_MS + at_ms)
            told.append(close_looks.news(connection, 1, EPOCH_MS))

        assert told[0] == told[1] == told[2] != told[3] == told[4] != told[5]

    def test_is_another_when_it_is_begun_anew_ends_or_a_change_is_recorded(self, connection):
        close_looks.begin(connection, a_look())
        told = [close_looks.news(connection, 1, EPOCH_MS), close_looks.news(connection, 1, EPOCH_MS + 10 * MINUTE_MS)]
        changes.keep(connection, a_change(), [(Place(1, 0), "")])
        told.append(close_looks.news(connection, 1, EPOCH_MS))
        close_looks.begin(connection, a_look(from_ms=EPOCH_MS + 1))
        told.append(close_looks.news(connection, 1, EPOCH_MS))

        assert len(set(told)) == 4


class TestForget:
    def test_keeps_for_a_day_what_has_ended(self, engine):
        with engine.begin() as connection:
            three_teams(connection)
            close_looks.begin(connection, a_look())
        ends_ms = EPOCH_MS + 10 * MINUTE_MS

        for now_ms, there in ((ends_ms + close_looks.KEPT_MS - 1, True), (ends_ms + close_looks.KEPT_MS, False)):
            with engine.begin() as connection:
                retention.prune(connection, now_ms)
            with database.reading(engine) as connection:
                assert (close_looks.of_team(connection, 1) is not None) is there
