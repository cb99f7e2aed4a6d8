import numpy as np
import pytest
from examples import EPOCH_MS, facts_of
from storage_examples import keep_samples, some_samples

from service.errors import NotFound
from service.storage import facts, inventory, sources
from service.terms import Counts, Facts, OperStatus, PortName

EVERYTHING = dict.fromkeys(("in_octets", "out_octets", "out_packets", "out_discards", "in_errors", "uptime"), 1)
UP = Facts(speed_bps=10**9, oper=OperStatus.UP)


def known(connection, *devices):
    """The devices, each with two ports, by name."""
    for device in devices:
        names = [PortName(device, port, "front") for port in ("m1", "m2")]
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
    return {device.name: device for device in inventory.devices(connection).items}


def tell(connection, batch, said=UP):
    """Keep samples of the ports 1, 2, ... and note the newest of them of the first device."""
    [facts_id] = facts.ids(connection, facts_of(said)).tolist()
    keep_samples(connection, batch, facts_id)
    newest = np.array([batch.at_ms.max()], dtype=np.int64)
    inventory.note_samples(connection, np.array([1], dtype=np.int32), newest, EPOCH_MS)
    return list(inventory.devices(connection).items)


class TestDevice:
    def test_is_the_one_as_it_is_listed(self, connection):
        listed = known(connection, "sm-07", "sm-08")

        assert sources.device(connection, listed["sm-08"].id) == listed["sm-08"]
        assert listed["sm-08"][-2:] == (1, 2)  # teams and ports

    def test_is_not_found_by_an_id_that_nothing_has(self, connection):
        with pytest.raises(NotFound):
            sources.device(connection, 7)


class TestSilent:
    def test_are_the_longest_silent_first_and_no_others(self, connection):
        listed = known(connection, "sm-07", "sm-08", "sm-09")
        inventory.note_device(connection, listed["sm-09"].id, silent_since_ms=EPOCH_MS)
        inventory.note_device(connection, listed["sm-07"].id, silent_since_ms=EPOCH_MS + 1)

        assert [one.name for one in sources.silent(connection)] == ["sm-09", "sm-07"]
        assert [one.name for one in sources.silent(connection, limit=1)] == ["sm-09"]


class TestTold:
    def test_is_everything_where_every_port_tells_it(self, connection):
        known(connection, "sm-07")
        devices = tell(connection, some_samples({"port": 0, **EVERYTHING}, {"port": 1, **EVERYTHING}))

        assert all(sources.told(connection, devices)[1])

    @pytest.mark.parametrize(
        ("word", "without"),
        [("packets", "out_packets"), ("discards", "out_discards"), ("errors", "in_errors"), ("uptime", "uptime")],
    )
    def test_lacks_what_one_port_leaves_out(self, connection, word, without):
        known(connection, "sm-07")
        less = {name: value for name, value in EVERYTHING.items() if name != without}
        devices = tell(connection, some_samples({"port": 0, **EVERYTHING}, {"port": 1, **less}))

        [found] = sources.told(connection, devices).values()

        assert [name for name, tells in found._asdict().items() if not tells] == [word]

    @pytest.mark.parametrize(
        ("word", "said"),
        [
            ("speed", Facts(oper=OperStatus.UP)),
            ("status", Facts(speed_bps=10**9)),
            ("wide", Facts(speed_bps=10**9, oper=OperStatus.UP, counter_bits=32)),
            ("frames", Facts(speed_bps=10**9, oper=OperStatus.UP, counts=Counts.PAYLOAD)),
        ],
    )
    def test_lacks_what_the_facts_leave_out(self, connection, word, said):
        known(connection, "sm-07")
        devices = tell(connection, some_samples({"port": 0, **EVERYTHING}), said)

        [found] = sources.told(connection, devices).values()

        assert [name for name, tells in found._asdict().items() if not tells] == [word]

    def test_follows_the_latest_sample(self, connection):
        known(connection, "sm-07")
        devices = tell(connection, some_samples({"at": 0, "in_octets": 1}, {"at": 30, **EVERYTHING}))

        assert all(sources.told(connection, devices)[1])

    def test_minds_no_port_that_left_off_long_ago(self, connection):
        known(connection, "sm-07")
        devices = tell(connection, some_samples({"port": 1, "in_octets": 1}, {"port": 0, "at": 3601, **EVERYTHING}))

        assert all(sources.told(connection, devices)[1])

    def test_is_nothing_of_a_device_that_sent_nothing(self, connection):
        devices = list(known(connection, "sm-07").values())

        assert sources.told(connection, devices) == {}
