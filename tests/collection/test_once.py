import pytest
from collection.running import kept_samples
from collection.simulated import Device, Poller, watch
from examples import EPOCH_MS

from service.collection import once
from service.storage import agents, database


@pytest.fixture
def collected(engine):
    def collect(devices, times=1):
        poller, rounds = Poller(devices), []
        for number in range(times):
            poller.now_ms = EPOCH_MS + 10_000 * number
            rounds.append(once.collect(engine, poller, [watch(name) for name in devices], lambda: poller.now_ms))
        return rounds[-1]

    return collect


class TestCollect:
    def test_discovers_and_polls_every_device(self, collected, engine):
        done = collected({"sm-07": Device(), "sm-08": Device(members={"p1": 1, "p2": 2, "p3": 3})})

        # Members, and the interface of each team.
        assert (done.devices, done.ports, done.samples, done.silent) == (2, 7, 7, ())
        assert len(kept_samples(engine)) == 7

    def test_names_those_that_did_not_answer(self, collected, engine):
        done = collected({"sm-07": Device(), "sm-08": Device(is_silent=True)})

        assert done.silent == (("sm-08", "does not answer"),)
        with database.reading(engine) as connection:
            noted = {polling.device: polling for polling in agents.listing(connection)}
        assert noted["sm-08"].trouble == "does not answer"
        assert noted["sm-07"].polls == 1

    def test_counts_on_from_the_round_before(self, collected, engine):
        collected({"sm-07": Device()}, times=3)

        with database.reading(engine) as connection:
            (noted,) = agents.listing(connection)
        assert (noted.polls, noted.since_ms) == (3, EPOCH_MS)
        assert len(kept_samples(engine)["sm-07", "m1"]) == 3

    def test_polls_nothing_of_a_device_that_has_no_team(self, collected):
        device = Device(members={}, has_aggregator=False)

        assert collected({"sm-07": device}).samples == 0
