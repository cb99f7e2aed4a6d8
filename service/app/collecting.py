"""Polling agents: as long as it is this process's turn, once by hand, or one device for a look."""

from __future__ import annotations

from typing import TYPE_CHECKING

from service.app.clock import now_ms
from service.app.parts import Parts
from service.settings.reading import Settings
from service.settings.references import agent_at, agents_of
from service.storage import agents

if TYPE_CHECKING:
    from service.collection.once import Round
    from service.snmp.agents import Agent
    from service.terms import Discovered

COLLECT_EVERY_S = 1


def collect(parts: Parts) -> None:
    """Ask the agents that are due and keep what came, unless another process is the one that polls."""
    at_ms = parts.clock()
    if parts.turn.held_epoch(parts, at_ms) is not None:
        parts.turn.collector(parts).tick(at_ms)


def forget_agents(parts: Parts) -> None:
    """Where the settings name no device to poll any more, forget those that were: nobody waits for them to answer."""
    if parts.settings.agents or parts.turn.held_epoch(parts, parts.clock()) is None:
        return
    with parts.engine.begin() as connection:
        agents.forget(connection, {polling.device for polling in agents.listing(connection)})


def collect_once(parts: Parts) -> Round:
    """Discover and poll every agent of the settings once."""
    from service.collection import once
    from service.snmp.poller import Poller

    watches = agents_of(parts.settings)
    with Poller(parts.clock, parts.settings.collection.in_flight) as poller:
        return once.collect(parts.engine, poller, watches, parts.clock, parts.settings.limits())


def described(agent: Agent) -> Discovered:
    """What a device says of its teams; Unreachable where it does not answer."""
    from service.collection.discovering import Walked
    from service.errors import Unreachable
    from service.feeds.snmp.discovery import WALKED, discovered
    from service.snmp.agents import FINE, Request
    from service.snmp.poller import Poller

    with Poller(now_ms, 1) as poller:
        (outcome,) = poller.round([Request(agent, columns=WALKED)])
    if outcome.kind != FINE:
        raise Unreachable(agent.place, outcome.trouble)
    return discovered(agent.device, Walked.of(agent.device, outcome.replies).rows)


def agent_named(settings: Settings, target: str, credentials: str | None) -> Agent:
    """The agent of a device of the settings, or one at an address with credentials of the settings."""
    known = {watch.agent.device: watch.agent for watch in agents_of(settings)}
    if target in known and credentials is None:
        return known[target]
    return agent_at(settings, target, credentials)
