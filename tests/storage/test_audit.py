import pytest
from examples import EPOCH_MS
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from service.storage import audit


class TestAudit:
    def test_lists_the_last_line_first(self, connection):
        for number in range(3):
            audit.note(connection, EPOCH_MS + number, "M. Quist", "key.make", f"k{number}", {"role": "feed"})

        first = audit.listing(connection, limit=2)
        second = audit.listing(connection, limit=2, cursor=first.cursor)

        assert [entry.target for entry in first.items + second.items] == ["k2", "k1", "k0"]
        assert first.items[0].details == {"role": "feed"}

    @pytest.mark.parametrize("change", ["UPDATE audit SET who = 'x'", "DELETE FROM audit"])
    def test_is_never_changed(self, connection, change):
        audit.note(connection, EPOCH_MS, "M. Quist", "key.make", "k")

        with pytest.raises(DBAPIError, match="append-only"):
            connection.execute(text(change))

    def test_is_never_emptied_whole(self, postgresql_engine):
        with postgresql_engine.connect() as connection, pytest.raises(DBAPIError, match="append-only"):
            connection.execute(text("TRUNCATE audit"))
