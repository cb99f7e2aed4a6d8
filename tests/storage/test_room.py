from examples import EPOCH_MS
from sqlalchemy import text
from storage_examples import keep_samples, some_samples

from service.storage import inventory, room
from service.terms import PortName

HOUR_MS = 3_600_000


def keep(connection, *samples):
    inventory.resolve(connection, [PortName("sm-07", "m1", "front")], feed="push", now_ms=EPOCH_MS)
    keep_samples(connection, some_samples(*samples))


class TestTaken:
    def test_tells_each_table_with_the_span_of_its_rows_and_the_rest(self, connection):
        keep(connection, *({"at": k * 3600, "in_octets": k} for k in range(30)))

        samples, windows, rollups, rest = room.taken(connection)

        assert (samples.table, samples.oldest_ms, samples.newest_ms) == ("samples", EPOCH_MS, EPOCH_MS + 29 * HOUR_MS)
        assert windows == room.Room("windows", windows.octets)
        assert rollups == room.Room("rollups", rollups.octets)
        assert (rest.table, rest.oldest_ms) == ("", None)
        assert sum(one.octets for one in (samples, windows, rollups, rest)) == room.whole(connection)

    def test_grows_with_what_is_kept(self, connection):
        before = room.taken(connection)[0].octets
        keep(connection, *({"at": k, "in_octets": k} for k in range(5000)))

        assert room.taken(connection)[0].octets - before > 5000 * 20

    def test_is_unknown_where_sqlite_was_built_to_not_know(self, sqlite_engine, monkeypatch):
        monkeypatch.setattr(room, "_OF_SQLITE", text("SELECT no_such_function(:table)"))

        with sqlite_engine.begin() as connection:
            assert room.taken(connection) == ()
            assert room.whole(connection) > 0


class TestBegun:
    def test_is_when_the_first_device_was_heard_of(self, connection):
        assert room.begun_ms(connection) is None
        keep(connection, {"in_octets": 1})
        assert room.begun_ms(connection) == EPOCH_MS
