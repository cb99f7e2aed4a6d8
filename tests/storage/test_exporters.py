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

    def test_keeps_no_more_strangers_than_there_is_room_for(self, connection):
        exporters.note(connection, [FIRST])
        for second in range(3):
            forged = [
                Heard(f"198.51.100.{at}", protocol, "", EPOCH_MS + 1000 * second, 1, refused=1)
                for at in range(80 * second, 80 * second + 80)
                for protocol in ("ipfix", "sflow")
            ]
            exporters.note(connection, forged)

        listed = exporters.listing(connection)

        strangers = [one for one in listed if not one.device]
        assert len(strangers) == exporters.MOST_STRANGERS
        assert {one.heard_ms for one in strangers} == {EPOCH_MS + 2000}, "those heard last"
        assert FIRST in listed
