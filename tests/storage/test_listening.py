import numpy as np
from examples import EPOCH_MS

from service.storage import agents, inventory, listening
from service.storage.agents import Polling
from service.storage.listening import Mark
from service.terms import PortName


def known(connection, *devices):
    for device in devices:
        inventory.resolve(connection, [PortName(device, "m1", "front")], feed="push", now_ms=EPOCH_MS)
    ids = np.arange(1, len(devices) + 1, dtype=np.int32)
    inventory.note_samples(connection, ids, np.full(len(devices), EPOCH_MS, dtype=np.int64), EPOCH_MS + 5)


def polled(connection, device, **told):
    usual = {"address": "192.0.2.30:161", "version": "2c", "clear_text": True, "interval_ms": 10_000}
    agents.note(
        connection, [Polling(**{"device": device, "stretched_ms": 15_000, "since_ms": EPOCH_MS, **usual, **told})]
    )


class TestPulses:
    def test_are_of_those_that_sent_and_of_those_that_are_polled(self, connection):
        known(connection, "sm-07", "sm-08")
        polled(connection, "sm-08", answered_ms=EPOCH_MS + 7, polls=9, lost=1)
        polled(connection, "sm-30", trouble="no answer")

        found = {pulse.device: pulse for pulse in listening.pulses(connection)}

        assert set(found) == {"sm-07", "sm-08", "sm-30"}
        assert (found["sm-07"].last_received_ms, found["sm-07"].asked_every_ms) == (EPOCH_MS + 5, None)
        assert (found["sm-07"].polls, found["sm-07"].trouble) == (0, "")
        assert (found["sm-08"].device_id, found["sm-08"].asked_every_ms, found["sm-08"].polls) == (2, 15_000, 9)
        assert (found["sm-30"].device_id, found["sm-30"].feed, found["sm-30"].trouble) == (None, "snmp", "no answer")

    def test_are_of_named_devices_where_they_are_named(self, connection):
        known(connection, "sm-07", "sm-08")
        polled(connection, "sm-30")

        found = listening.pulses(connection, {"sm-08", "sm-30", "sm-99"})

        assert [pulse.device for pulse in found] == ["sm-08", "sm-30"]


def since(connection):
    return [device.silent_since_ms for device in inventory.devices(connection).items]


class TestMarks:
    def test_are_set_once_and_taken_back_by_whoever_knows_them(self, connection):
        known(connection, "sm-07", "sm-08")
        mark = Mark(2, EPOCH_MS, EPOCH_MS + 5)

        assert listening.fall_silent(connection, [mark]) == {2}
        assert listening.fall_silent(connection, [mark]) == set()
        assert since(connection) == [None, EPOCH_MS]
        assert listening.hear_again(connection, [mark._replace(since_ms=1)]) == set()
        assert listening.hear_again(connection, [mark]) == {2}
        assert since(connection) == [None, None]

    def test_are_not_set_where_something_came_since_it_was_judged(self, connection):
        known(connection, "sm-07")

        assert listening.fall_silent(connection, [Mark(1, EPOCH_MS, EPOCH_MS)]) == set()
        assert since(connection) == [None]
