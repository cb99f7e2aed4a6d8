from dataclasses import replace

import numpy as np
import pytest
from examples import EPOCH_MS, facts_of
from storage_examples import keep_samples, some_kinds, some_samples, some_windows

from service.errors import NotFound
from service.storage import agents, events, facts, inventory, sources, windows
from service.storage.agents import Polling
from service.terms import Counts, DataEvent, Facts, Mark, OperStatus, PortName

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
    return {1: int(newest[0])}


class TestDevice:
    def test_is_the_one_as_it_is_listed(self, connection):
        listed = known(connection, "sm-07", "sm-08")

        assert sources.device(connection, listed["sm-08"].id) == listed["sm-08"]
        assert listed["sm-08"][-2:] == (1, 2)  # teams and ports

    def test_is_not_found_by_an_id_that_nothing_has(self, connection):
        with pytest.raises(NotFound):
            sources.device(connection, 7)


class TestPolled:
    def test_is_how_it_goes_with_those_that_are_polled(self, connection):
        polling = Polling("sm-30", "192.0.2.30:161", "3", False, 10_000, 10_000, EPOCH_MS, notes=("no high speeds",))
        agents.note(connection, [polling, polling._replace(device="sm-31")])

        assert sources.polled(connection, ["sm-30", "sm-07"]) == {"sm-30": polling}


class TestDoubted:
    def doubt(self, connection, at_ms):
        known(connection, "sm-07", "sm-08")
        events.keep(connection, [DataEvent("sm-07", "m2", at_ms, "speed-doubtful", "doubted")])
        return sources.doubted(connection, {"sm-07": 1, "sm-08": 2}, EPOCH_MS, 30_000)

    def test_are_ports_of_which_that_was_said_lately(self, connection):
        assert self.doubt(connection, EPOCH_MS) == {"sm-07": ["m2"]}

    def test_are_none_of_which_that_was_said_long_ago(self, connection):
        assert self.doubt(connection, EPOCH_MS - 1) == {}

    def test_are_ports_whose_last_windows_are_in_doubt_however_long_ago_it_was_said(self, connection):
        listed = known(connection, "sm-07", "sm-08")
        placed = inventory.layout(connection)
        marks = np.zeros((4, 4), dtype=np.uint16)
        marks[1, :2], marks[2, 3] = Mark.SPEED_DOUBTFUL, Mark.SPEED_DOUBTFUL
        members = replace(some_windows(ports=4), marks=marks)
        windows.write(connection, placed, members, some_kinds(teams=2))
        inventory.note_decided(connection, placed.team_ids.tolist(), members.span.end_ms)

        found = sources.doubted(connection, {name: one.id for name, one in listed.items()}, EPOCH_MS, 30_000)

        # Of sm-07 the first two windows only were in doubt, and the last two are asked for.
        assert found == {"sm-08": ["m1"]}


class TestTold:
    def test_is_everything_where_every_port_tells_it(self, connection):
        known(connection, "sm-07")
        newest = tell(connection, some_samples({"port": 0, **EVERYTHING}, {"port": 1, **EVERYTHING}))

        assert all(sources.told(connection, newest)[1])

    @pytest.mark.parametrize(
        ("word", "without"),
        [("packets", "out_packets"), ("discards", "out_discards"), ("errors", "in_errors"), ("uptime", "uptime")],
    )
    def test_lacks_what_one_port_leaves_out(self, connection, word, without):
        known(connection, "sm-07")
        less = {name: value for name, value in EVERYTHING.items() if name != without}
        newest = tell(connection, some_samples({"port": 0, **EVERYTHING}, {"port": 1, **less}))

        [found] = sources.told(connection, newest).values()

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
        newest = tell(connection, some_samples({"port": 0, **EVERYTHING}), said)

        [found] = sources.told(connection, newest).values()

        assert [name for name, tells in found._asdict().items() if not tells] == [word]

    def test_follows_the_latest_sample(self, connection):
        known(connection, "sm-07")
        newest = tell(connection, some_samples({"at": 0, "in_octets": 1}, {"at": 30, **EVERYTHING}))

        assert all(sources.told(connection, newest)[1])

    def test_minds_no_port_that_left_off_long_ago(self, connection):
        known(connection, "sm-07")
        newest = tell(connection, some_samples({"port": 1, "in_octets": 1}, {"port": 0, "at": 3601, **EVERYTHING}))

        assert all(sources.told(connection, newest)[1])

    def test_is_nothing_of_a_device_that_sent_nothing(self, connection):
        known(connection, "sm-07")

        assert sources.told(connection, {}) == {}
