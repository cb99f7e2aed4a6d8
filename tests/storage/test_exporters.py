from examples import EPOCH_MS

from service.storage import exporters
from service.storage.exporters import Heard

FIRST = Heard("192.0.2.7", "ipfix", "sm-07", EPOCH_MS, datagrams=10, records=90, lost=1, refused=1, trouble="cut short")


class TestNote:
    def test_adds_what_was_counted_and_remembers_the_last_trouble(self, connection):
        exporters.note(connection, [FIRST])
        exporters.note(connection, [Heard("192.0.2.7", "ipfix", "sm-07", EPOCH_MS + 30_000, 5, 45, unplaced=2)])

        [told] = exporters.listing(connection)

        assert told == Heard("192.0.2.7", "ipfix", "sm-07", EPOCH_MS + 30_000, 15, 135, 1, 1, 2, "cut short")

    def test_keeps_protocols_of_one_address_apart(self, connection):
        exporters.note(connection, [FIRST, FIRST._replace(protocol="sflow")])

        assert [told.protocol for told in exporters.listing(connection)] == ["ipfix", "sflow"]

    def test_of_nothing_is_nothing(self, connection):
        exporters.note(connection, [])

        assert exporters.listing(connection) == []
