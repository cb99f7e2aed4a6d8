"""Polling agents: the process whose turn it is, one round by hand, and a look at what one device says."""

from __future__ import annotations

from typing import TYPE_CHECKING

from service.app.parts import Parts, now_ms
from service.settings.reading import Settings
from service.settings.references import agents_of
from service.storage import leases

if TYPE_CHECKING:
    from service.collection.collector import Collector
    from service.collection.once import Round
    from service.snmp.agents import Agent
    from service.snmp.poller import Poller
    from service.terms import Discovered

COLLECTION = "collection"
COLLECT_EVERY_S = 1
# A process that dies is missed no longer than this; its lease is renewed four times as often.
LEASE_MS, RENEW_EVERY_MS = 40_000, 10_000


class Turn:
    """This process's turn at polling, with the poller and the memory that last as long as the turn."""

    def __init__(self) -> None:
        self.epoch: int | None = None
        self._taken_ms = 0
        self._collector: Collector | None = None
        self._poller: Poller | None = None

    def held_epoch(self, parts: Parts, at_ms: int) -> int | None:
        """Take or keep the lease: its epoch, or None while another process polls."""
        if self.epoch is None or at_ms >= self._taken_ms + RENEW_EVERY_MS:
            with parts.engine.begin() as connection:
                epoch = leases.take(connection, COLLECTION, parts.owner, LEASE_MS, at_ms)
            if epoch != self.epoch and self._collector is not None:
                self._collector.forget()  # others polled meanwhile
            self.epoch, self._taken_ms = epoch, at_ms
        return self.epoch

    def collector(self, parts: Parts) -> Collector:
        """The collector of all agents of the settings."""
        if self._collector is None:
            from service.collection.collector import Collector
            from service.collection.watched import Patience
            from service.snmp.poller import Poller

            told = parts.settings.collection
            watches = agents_of(parts.settings)
            self._poller = Poller(parts.clock, told.in_flight)
            patience = Patience(told.discover_every_s * 1000, told.backoff_most_s * 1000)
            self._collector = Collector(parts.engine, self._poller, watches, patience, parts.settings.limits())
        return self._collector

    def end(self) -> None:
        """Ask no more; what is under way is dropped."""
        if self._poller is not None:
            self._poller.close()
        self._poller = self._collector = self.epoch = None


def collect(parts: Parts) -> None:
    """Ask the agents that are due and keep what came, unless another process is the one that polls."""
    at_ms = parts.clock()
    if parts.turn.held_epoch(parts, at_ms) is not None:
        parts.turn.collector(parts).tick(at_ms)


def collect_once(parts: Parts) -> Round:
    """Discover and poll every agent of the settings once."""
    from service.collection import once
    from service.snmp.poller import Poller

    watches = agents_of(parts.settings)
    with Poller(parts.clock, parts.settings.collection.in_flight) as poller:
        return once.collect(parts.engine, poller, watches, parts.clock, parts.settings.limits())


def described(agent: Agent) -> Discovered:
    """What a device says of its teams; Unreachable where it does not answer."""
    from service.errors import Unreachable
    from service.feeds.snmp.discovery import WALKED, discovered
    from service.snmp.agents import FINE, Request
    from service.snmp.poller import Poller

    with Poller(now_ms, 1) as poller:
        (outcome,) = poller.round([Request(agent, columns=WALKED)])
    if outcome.kind != FINE:
        raise Unreachable(agent.place, outcome.trouble)
    return discovered(agent.device, {oid: value for reply in outcome.replies for oid, value in reply.values.items()})


def agent_named(settings: Settings, target: str, credentials: str | None) -> Agent:
    """The agent of a device of the settings, or one at an address with credentials of the settings."""
    from service.settings.references import agent_at

    known = {watch.agent.device: watch.agent for watch in agents_of(settings)}
    if target in known and credentials is None:
        return known[target]
    return agent_at(settings, target, credentials)
