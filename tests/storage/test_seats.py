from contextlib import contextmanager

from examples import EPOCH_MS
from sqlalchemy import event

from service.storage import inventory, seats
from service.terms import PortName

FRONT = (PortName("sm-07", "m1", "front"), PortName("sm-07", "m2", "front"), PortName("sm-07", "m9"))


def seated(engine, names, now_ms=EPOCH_MS):
    with engine.begin() as connection:
        return seats.of(connection, names, feed="push", now_ms=now_ms)


def team_of(engine, team):
    with engine.connect() as connection:
        return inventory.team_named(connection, "sm-07", team)


@contextmanager
def statements(engine):
    """What is asked of the database meanwhile."""
    asked = []

    def note(_connection, _cursor, statement, *_more):
        asked.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    yield asked
    event.remove(engine, "before_cursor_execute", note)


class TestOf:
    def test_tells_port_device_and_team_of_each_and_0_of_the_unknown(self, engine):
        found = seated(engine, FRONT)

        front = team_of(engine, "front")
        assert (found.port_ids > 0).tolist() == [True, True, False]
        assert (found.device_ids > 0).tolist() == [True, True, False]
        assert found.team_ids.tolist() == [front, front, 0]

    def test_asks_nothing_about_names_that_it_was_asked_before(self, engine):
        found = [seated(engine, FRONT[:2])]
        names = FRONT[:2]
        found += [seated(engine, names) for _ in range(2)]

        with statements(engine) as asked:
            again = seated(engine, names)

        assert again is found[-1]
        assert [one for one in asked if not one.startswith(("BEGIN", "COMMIT"))] == []
        assert again.port_ids.tolist() == found[0].port_ids.tolist()

    def test_asks_anew_after_ten_minutes(self, engine):
        for _ in range(3):
            seated(engine, FRONT[:2])

        with statements(engine) as asked:
            seated(engine, FRONT[:2], EPOCH_MS + 600_000)

        assert any("FROM ports" in one for one in asked)

    def test_moves_a_port_as_often_as_the_batches_in_turn_name_another_team(self, engine):
        here, there = (PortName("sm-07", "m1", "front"),), (PortName("sm-07", "m1", "store"),)
        for _ in range(3):
            for names, team in ((here, "front"), (there, "store")):
                for _ in range(3):  # the third time it is remembered
                    assert seated(engine, names).team_ids.tolist() == [team_of(engine, team)]

    def test_does_not_remember_what_was_rolled_back(self, engine):
        names = FRONT[:2]
        with engine.connect() as connection:
            for _ in range(3):
                seats.of(connection, names, feed="push", now_ms=EPOCH_MS)
            connection.rollback()

        seated(engine, names)

        assert team_of(engine, "front") > 0

    def test_gives_a_port_that_found_its_team_full_the_seat_that_becomes_free(self, engine):
        seated(engine, tuple(PortName("sm-07", f"m{k}", "front") for k in range(1, 9)))
        ninth = (PortName("sm-07", "m9", "front"),)
        assert [seated(engine, ninth).port_ids.tolist() for _ in range(3)] == [[0]] * 3

        seated(engine, (PortName("sm-07", "m1", "store"),))

        assert seated(engine, ninth).team_ids.tolist() == [team_of(engine, "front")]

    def test_forgets_the_oldest_where_there_are_too_many(self, engine, monkeypatch):
        monkeypatch.setattr(seats, "MOST_SEATED", 3)
        batches = [(PortName("sm-07", f"m{k}", "front"), PortName("sm-08", f"m{k}", "front")) for k in range(1, 4)]
        for _ in range(2):
            found = [seated(engine, names) for names in batches]

        assert seated(engine, batches[2]) is found[2]
        assert seated(engine, batches[0]) is not found[0]
