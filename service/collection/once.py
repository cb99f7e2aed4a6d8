"""One discovery and one round of all agents, with somebody waiting for it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from sqlalchemy import Connection, Engine

from service.collection import keeping
from service.collection.discovering import Walked
from service.collection.settling import settled
from service.collection.watched import Asking, Patience, Watched
from service.feeds.limits import IngestLimits
from service.feeds.snmp.gathering import Polled
from service.snmp.agents import FINE, Outcome, Request, Watch
from service.storage import agents, database

# Tables are long: so many devices are discovered before any of them is forgotten again.
WALKED_AT_ONCE = 100


class Rounds(Protocol):
    """Whoever asks agents and waits until all have answered or will not."""

    def round(self, requests: Sequence[Request]) -> list[Outcome]:
        """Ask all at once; what came of each, in their order."""


@dataclass(frozen=True)
class Round:
    """What a round brought; `silent` holds the devices that did not answer, with what is the matter."""

    devices: int
    ports: int
    samples: int
    refused: tuple[str, ...]
    silent: tuple[tuple[str, str], ...]
    took_ms: int


def collect(
    engine: Engine,
    poller: Rounds,
    watches: Sequence[Watch],
    clock: Callable[[], int],
    limits: IngestLimits | None = None,
) -> Round:
    """Discover and poll all agents once, and keep what they tell."""
    began_ms = clock()
    watched = [Watched.beginning(watch, Patience(), began_ms) for watch in watches]
    for first in range(0, len(watched), WALKED_AT_ONCE):
        _discover(engine, poller, watched[first : first + WALKED_AT_ONCE], clock)
    polls = _polled(poller, [one for one in watched if one.plan is not None and one.plan.pdus], clock)
    kept = keeping.keep(engine, polls, clock(), limits)
    for one in watched:
        one.skew_ms = kept.skew_ms.get(one.device)
    _note(engine, watched)
    return Round(
        devices=sum(not _is_lost(one) for one in watched),
        ports=sum(len(poll.plan.ports) for poll in polls),
        samples=kept.taken.accepted,
        refused=tuple(reject.reason for reject in kept.taken.rejected),
        silent=tuple((one.device, one.whole_trouble) for one in watched if _is_lost(one)),
        took_ms=clock() - began_ms,
    )


def _discover(engine: Engine, poller: Rounds, some: Sequence[Watched], clock: Callable[[], int]) -> None:
    now_ms = clock()
    outcomes = poller.round([one.ask(Asking.WALK, now_ms, now_ms) for one in some])
    for one, outcome in zip(some, outcomes, strict=True):
        if outcome.kind == FINE:
            settled(engine, one, Walked.of(one.device, outcome.replies), clock())
        else:
            one.fail_walk(outcome.trouble, clock())


def _polled(poller: Rounds, some: Sequence[Watched], clock: Callable[[], int]) -> list[Polled]:
    now_ms = clock()
    outcomes = poller.round([one.ask(Asking.POLL, now_ms, now_ms) for one in some])
    polls = []
    for one, outcome in zip(some, outcomes, strict=True):
        if outcome.kind == FINE and one.plan is not None:
            one.note_poll(outcome, clock())
            polls.append(Polled(one.plan, outcome.replies))
        else:
            one.fail(outcome.trouble, clock())
    return polls


def _is_lost(one: Watched) -> bool:
    return bool(one.failures or one.walk_failures)


def _note(engine: Engine, watched: Sequence[Watched]) -> None:
    def work(connection: Connection) -> None:
        before = {polling.device: polling for polling in agents.listing(connection)}
        for one in watched:
            one.go_on_from(before.get(one.device))
        agents.note(connection, [one.row() for one in watched])

    database.retried(engine, work)
