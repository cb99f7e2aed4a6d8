from itertools import pairwise

import pytest
from collection.running import Running
from collection.simulated import Device
from examples import EPOCH_MS

from service.collection.watched import Patience
from service.storage import close_looks, database, inventory
from service.storage.close_looks import CloseLook

SECONDS = 1000
SETTLED_S = 60


@pytest.fixture
def run(engine):
    """Two devices polled every 10 s for a minute."""
    run = Running(engine, {"sm-07": Device(), "sw-03": Device()})
    run.run(SETTLED_S)
    return run


def look_at(run, width_s, minutes=2, device="sm-07"):
    with run.engine.begin() as connection:
        team_id = inventory.team_named(connection, device, "front")
        look = CloseLook(team_id, width_s * 1000, run.now_ms, run.now_ms + minutes * 60_000, "T. Haverly")
        close_looks.begin(connection, look)


def gaps(run, from_s, until_s, device="sm-07"):
    """The distances between polls in a stretch of the run, in seconds."""
    asked = [at_ms for at_ms in run.asked("poll", device) if from_s * 1000 <= at_ms < until_s * 1000]
    return {(later - earlier) / 1000 for earlier, later in pairwise(asked)}


class TestInterval:
    def test_is_that_of_the_windows_while_somebody_looks_and_for_no_other_device(self, run):
        look_at(run, 5)
        run.run(240)

        assert gaps(run, 70, 180) == {5}
        assert gaps(run, 200, 300) == {10}
        assert gaps(run, 20, 300, "sw-03") == {10}
        assert not run.events("polls-stretched")

    def test_follows_within_a_few_seconds(self, run):
        look_at(run, 5)
        run.run(10)

        assert run.polling().interval_ms == 5000

    def test_ends_when_somebody_ends_it(self, run):
        look_at(run, 5)
        run.run(60)
        with run.engine.begin() as connection:
            close_looks.end(connection, inventory.team_named(connection, "sm-07", "front"), run.now_ms)
        run.run(60)

        assert gaps(run, 135, 180) == {10}

    def test_is_never_slower_than_it_was(self, run):
        look_at(run, 15)
        run.run(60)

        assert gaps(run, 60, 120) == {10}

    def test_is_no_shorter_than_counters_refresh(self, run):
        with run.engine.begin() as connection:
            inventory.note_device(connection, 1, refresh_ms=8000)
        with database.reading(run.engine) as connection:
            assert inventory.devices(connection).items[0].name == "sm-07"
        look_at(run, 5)
        run.run(60)

        assert gaps(run, 72, 120) == {8}

    def test_is_no_shorter_than_the_settings_allow(self, engine):
        run = Running(engine, {"sm-07": Device()}, patience=Patience(poll_least_ms=7000))
        run.run(SETTLED_S)
        look_at(run, 5)
        run.run(60)

        assert gaps(run, 72, 120) == {7}

    def test_leaves_a_silent_agent_alone_as_ever(self, engine):
        run = Running(engine, {"sm-07": Device(is_silent=False)})
        run.run(SETTLED_S)
        run.devices["sm-07"].is_silent = True
        look_at(run, 5, minutes=5)
        run.run(200)
        probes = [at_ms for at_ms in run.asked("probe") if at_ms > 100_000]

        assert probes
        assert all(later - earlier >= 5000 for earlier, later in pairwise(probes))

    def test_reads_in_whole_what_is_kept(self, run):
        look_at(run, 5)
        run.run(60)
        told = run.samples()["sm-07", "m1"]

        # The simulated device counts 1,000,000 octets a second on m1, whenever it is asked.
        per_second = {(o2 - o1) / (t2 - t1) * 1000 for (t1, o1), (t2, o2) in pairwise(told)}
        assert all(rate == pytest.approx(1_000_000, rel=0.01) for rate in per_second)
        assert told[-1][0] > EPOCH_MS + 110 * SECONDS
