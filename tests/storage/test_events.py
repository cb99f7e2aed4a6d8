import pytest
from examples import EPOCH_MS

from service.storage import events, inventory
from service.terms import DataEvent, PortName


@pytest.fixture
def connection(connection):
    names = [PortName("sm-07", "m1", "front"), PortName("sm-08", "m1", "front")]
    inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
    return connection


def an_event(**changes):
    told = {"device": "sm-07", "port": "m1", "at_ms": EPOCH_MS, "kind": "restart", "text": "restarted"}
    return DataEvent(**{**told, **changes})


class TestKeep:
    def test_keeps_each_event_once(self, connection):
        assert events.keep(connection, [an_event(), an_event(text="said otherwise"), an_event(port="")]) == 2
        assert events.keep(connection, [an_event()]) == 0
        assert {kept.event.text for kept in events.listing(connection).items} == {"restarted"}

    def test_passes_over_devices_that_are_not_known(self, connection):
        assert events.keep(connection, [an_event(device="sm-99")]) == 0


class TestTimes:
    def test_are_those_of_a_kind_and_of_devices_within_a_span_with_both_ends(self, connection):
        told = [an_event(kind="silent", port="", at_ms=EPOCH_MS + k) for k in range(5)]
        events.keep(connection, [*told, an_event(at_ms=EPOCH_MS + 2), an_event(device="sm-08", kind="silent")])

        found = events.times(connection, "silent", ["sm-07", "sm-07"], EPOCH_MS + 1, EPOCH_MS + 3)

        assert {device: sorted(at - EPOCH_MS for at in told) for device, told in found.items()} == {"sm-07": [1, 2, 3]}


class TestPorts:
    def test_are_those_to_which_something_of_a_kind_happened_since(self, connection):
        told = [an_event(port=f"m{k}", at_ms=EPOCH_MS + k) for k in range(3)]
        events.keep(connection, [*told, an_event(port="m2", at_ms=EPOCH_MS + 9), an_event(port="m8", kind="flap")])

        assert events.ports(connection, "restart", ["sm-07", "sm-08"], EPOCH_MS + 1) == {"sm-07": {"m1", "m2"}}


class TestListing:
    def test_filters_and_pages_newest_first(self, connection):
        told = [an_event(at_ms=EPOCH_MS + k, device=f"sm-0{7 + k % 2}") for k in range(5)]
        events.keep(connection, [*told, an_event(kind="silent")])

        first = events.listing(connection, kind="restart", limit=3)
        second = events.listing(connection, kind="restart", cursor=first.cursor)

        assert [kept.event.at_ms - EPOCH_MS for kept in first.items + second.items] == [4, 3, 2, 1, 0]
        assert [kept.event.at_ms - EPOCH_MS for kept in events.listing(connection, device="sm-08").items] == [3, 1]
        assert len(events.listing(connection, since_ms=EPOCH_MS + 3).items) == 2

    def test_are_of_the_ports_that_are_named_and_of_the_device_as_a_whole(self, connection):
        events.keep(connection, [an_event(port=port) for port in ("", "m1", "m2")])

        assert {kept.event.port for kept in events.listing(connection, ports=("", "m2")).items} == {"", "m2"}
        assert events.listing(connection, ports=()).items == ()
