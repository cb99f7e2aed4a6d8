"""The collector and the real poller, over sockets on loopback: one device among dead ones, and one that renumbers."""

import time
from itertools import pairwise

import pytest
from agents import Agents, SimulatedAgent
from collection.running import kept_samples
from simulated_tables import exchange_switch

from service.app.clock import now_ms
from service.collection.collector import Collector
from service.collection.watched import Patience
from service.snmp.agents import Agent, Community, Watch
from service.snmp.poller import Poller
from service.storage import agents, database, retention

INTERVAL_MS, LONGEST_S = 1000, 20


def watches(port, *communities):
    """Each is polled every second, and has 0.3 s to answer."""
    told = {"timeout_s": 0.3, "tries": 3}
    return [Watch(Agent(name, "127.0.0.1", port, Community("2c", name), **told), INTERVAL_MS) for name in communities]


@pytest.fixture
def polled(sqlite_engine):
    """Polls agents until something holds, or it has taken too long."""
    with sqlite_engine.begin() as connection:
        retention.prepare(connection, now_ms())
    with Poller(now_ms) as poller:

        def until(collector, holds):
            ends = time.monotonic() + LONGEST_S
            while not holds() and time.monotonic() < ends:
                collector.tick(now_ms())
                time.sleep(0.1)
            assert holds()

        yield lambda watched: (Collector(sqlite_engine, poller, watched, Patience(backoff_most_ms=2000)), until)


def noted(engine):
    with database.reading(engine) as connection:
        return {one.device: one for one in agents.listing(connection)}


def samples_of(engine, device, port="dock1"):
    return kept_samples(engine).get((device, port), [])


class TestSilentAgents:
    def test_cost_the_others_nothing(self, polled, sqlite_engine):
        dead = [f"dead{k}" for k in range(20)]
        with Agents([SimulatedAgent("quay", exchange_switch(4, 2))]) as served:
            collector, until = polled(watches(served.port, "quay", *dead))
            until(collector, lambda: len(samples_of(sqlite_engine, "quay")) >= 5)

        times = [at_ms for at_ms, _ in samples_of(sqlite_engine, "quay")]
        assert noted(sqlite_engine)["quay"].lost == 0
        # A second each, and never a time-out of the others on top.
        assert max(b - a for a, b in pairwise(times[1:])) < INTERVAL_MS + 300
        assert all(noted(sqlite_engine)[name].trouble for name in dead)


class TestRenumbering:
    def test_keeps_each_port_to_its_own_octets(self, polled, sqlite_engine):
        agent = SimulatedAgent("quay", exchange_switch(4, 2))
        with Agents([agent]) as served:
            collector, until = polled(watches(served.port, "quay"))
            until(collector, lambda: len(samples_of(sqlite_engine, "quay")) >= 3)
            first, second = agent.interfaces[:2]
            first.index, second.index = second.index, first.index
            agent.rebuild()
            agent.restart()
            before = len(samples_of(sqlite_engine, "quay"))
            until(collector, lambda: len(samples_of(sqlite_engine, "quay")) >= before + 3)

        # dock1 carries 100,000,000 octets a second out, dock2 1,000,000 (tests/simulated_tables.py).
        for port, rate in (("dock1", 100_000_000), ("dock2", 1_000_000)):
            kept = samples_of(sqlite_engine, "quay", port)
            for (at, octets), (later, more) in pairwise(kept):
                seconds = (later - at) / 1000
                assert more < octets or (more - octets) / seconds == pytest.approx(rate, rel=0.1)
