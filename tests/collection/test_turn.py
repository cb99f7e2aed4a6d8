from dataclasses import replace

import pytest
from agents import Agents, SimulatedAgent
from collection.running import kept_samples
from examples import EPOCH_MS
from simulated_tables import exchange_switch

from service import app
from service.app import Parts, jobs
from service.app.turn import COLLECTION, LEASE_MS, RENEW_EVERY_MS, Turn
from service.errors import WrongSetting
from service.settings.reading import settled
from service.storage import leases

HALL = {"name": "hall", "version": "2c", "accept_clear_text": True, "community_env": "HALL"}


def settings_of(port):
    agent = {"device": "sm-07", "address": f"127.0.0.1:{port}", "credentials": "hall"}
    return settled({"credentials": [HALL], "agents": [agent]})


@pytest.fixture
def parts(engine, monkeypatch):
    monkeypatch.setenv("HALL", "quay")
    return Parts(settings_of(9), engine, clock=lambda: EPOCH_MS, owner="one", shared_ms=lambda _, own_ms: own_ms)


class TestJobs:
    def test_poll_only_where_there_are_agents(self, parts):
        assert COLLECTION in {job.name for job in jobs.jobs_of(parts)}
        assert COLLECTION not in {job.name for job in jobs.jobs_of(replace(parts, settings=settled({})))}


class TestTurn:
    def test_belongs_to_one_process_at_a_time(self, parts):
        one, two, other = Turn(), Turn(), replace(parts, owner="two")

        assert one.held_epoch(parts, EPOCH_MS) == 1
        assert two.held_epoch(other, EPOCH_MS + 1) is None
        assert two.held_epoch(other, EPOCH_MS + LEASE_MS) == 2
        assert one.held_epoch(parts, EPOCH_MS + LEASE_MS + 1) is None

    def test_is_renewed_now_and_then_and_not_at_every_look(self, parts, engine):
        turn = Turn()
        turn.held_epoch(parts, EPOCH_MS)
        turn.held_epoch(parts, EPOCH_MS + RENEW_EVERY_MS - 1)
        with engine.begin() as connection:
            assert leases.take(connection, COLLECTION, "two", 1, EPOCH_MS + LEASE_MS - 1) is None
        turn.held_epoch(parts, EPOCH_MS + RENEW_EVERY_MS)

        with engine.begin() as connection:
            assert leases.take(connection, COLLECTION, "two", 1, EPOCH_MS + LEASE_MS) is None

    def test_is_renewed_after_the_clock_was_set_back_too(self, parts, engine):
        turn = Turn()
        turn.held_epoch(parts, EPOCH_MS)
        turn.held_epoch(parts, EPOCH_MS - 50_000)

        with engine.begin() as connection:
            assert leases.take(connection, COLLECTION, "two", 1, EPOCH_MS - 50_000 + LEASE_MS) == 2
            assert leases.take(connection, COLLECTION, "three", 1, EPOCH_MS - 50_000 + LEASE_MS) is None

    def test_tells_of_missing_secrets_at_the_start(self, parts, monkeypatch):
        monkeypatch.delenv("HALL")

        with pytest.raises(WrongSetting, match="HALL"):
            Turn().prepare(parts.settings)


class TestAtWork:
    def test_gives_the_turn_up_at_its_end(self, parts, engine):
        with app.at_work(parts):
            parts.turn.held_epoch(parts, EPOCH_MS)

        with engine.begin() as connection:
            assert leases.take(connection, COLLECTION, "two", 1, EPOCH_MS + 1) == 2
        assert parts.turn.epoch is None


class TestCollectOnce:
    def test_keeps_what_the_agents_of_the_settings_tell(self, engine, parts):
        from service.app import collecting

        with Agents([SimulatedAgent("quay", exchange_switch(4, 2))]) as served:
            done = collecting.collect_once(replace(parts, settings=settings_of(served.port), clock=app.now_ms))

        assert (done.devices, done.silent) == (1, ())
        assert len(kept_samples(engine)) == 6
