"""Asks every agent when it is due, learns its teams, keeps what it tells, and says how that goes."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any, Protocol

import structlog
from sqlalchemy import Connection, Engine

from service.collection import keeping
from service.collection.discovering import Walked
from service.collection.restarts import Uptime, restarted
from service.collection.settling import settled
from service.collection.watched import TICK_MS, Asking, Patience, Watched
from service.feeds.limits import IngestLimits
from service.feeds.snmp.gathering import Polled
from service.feeds.snmp.plan import UPTIME
from service.feeds.snmp.readings import changed_marks, missing, statuses
from service.snmp.agents import FINE, Outcome, Request, Watch
from service.storage import agents, claims, close_looks, database, events
from service.terms import DataEvent

# Tables are long: so many devices are discovered at a time, and so many kept in one look for work.
MOST_WALKS, MOST_SETTLED = 64, 16
# What ended while the database cannot be reached waits its turn; the oldest is given up first.
MOST_WAITING = 20_000
# How often it is looked whether people declared something that changes what is polled.
DECLARATIONS_EVERY_MS = 60_000
# How often it is looked at which teams somebody looks closely, whose devices are asked more often meanwhile.
LOOKS_EVERY_MS = 3000
# Whoever was asleep for longer goes on as if nothing had been due meanwhile.
PAUSE_MS = 30_000
STRETCHED = "polls-stretched"
STRETCHED_TEXT = (
    "a poll was not done when the next one was due, so this device is polled more rarely until there is room."
    " Ask for fewer polls, or see what slows the device, the network or this machine"
)

log = structlog.get_logger("collection")


class Asks(Protocol):
    """Whoever asks agents without making anybody wait."""

    def submit(self, requests: Sequence[Request]) -> None:
        """Start these."""

    def finished(self) -> list[Outcome]:
        """What ended since the last call."""


class Collector:
    """Polls a set of agents; `tick` is called every second and never waits for an agent."""

    def __init__(  # what it works with, and on what terms
        self,
        engine: Engine,
        poller: Asks,
        watches: Sequence[Watch],
        patience: Patience | None = None,
        limits: IngestLimits | None = None,
    ) -> None:
        self._engine, self._poller, self._limits = engine, poller, limits
        self._watches, self._patience = tuple(watches), patience or Patience()
        self.forget()

    def forget(self) -> None:
        """Begin anew at the next tick, as after a time in which another process did this."""
        self._watched: dict[str, Watched] = {}
        self._walked: deque[tuple[Watched, Walked]] = deque()
        self._polls: deque[Polled] = deque(maxlen=MOST_WAITING)
        self._events: list[DataEvent] = []
        self._declared: dict[str, int] = {}
        self._looked_ms = self._ticked_ms = self._passed_ms = self._closer_ms = 0

    def tick(self, now_ms: int) -> None:
        """Take in what ended, ask what is due, keep what came; what cannot be kept now is kept at another tick."""
        if not self._watched:
            self._begin(now_ms)
        self._follow_clock(now_ms)
        self._look_closely(now_ms)
        for outcome in self._poller.finished():
            self._take(outcome, now_ms)
        self._ask(now_ms)
        self._keep(now_ms)
        self._settle(now_ms)
        self._heed_declarations(now_ms)
        self._note(now_ms)

    def _begin(self, now_ms: int) -> None:
        def work(connection: Connection) -> dict[str, agents.Polling]:
            noted = {polling.device: polling for polling in agents.listing(connection)}
            agents.forget(connection, noted.keys() - {watch.agent.device for watch in self._watches})
            return noted

        before = database.retried(self._engine, work)
        for watch in self._watches:
            one = Watched.beginning(watch, self._patience, now_ms)
            one.go_on_from(before.get(one.device))
            self._watched[one.device] = one

    def _follow_clock(self, now_ms: int) -> None:
        """Go on where the clock was set back, or where the machine paused for once."""
        passed_ms = now_ms - (self._ticked_ms or now_ms)
        for one in self._watched.values() if passed_ms < 0 or passed_ms > PAUSE_MS >= self._passed_ms else ():
            one.shift(passed_ms) if passed_ms < 0 else one.resume(now_ms)
        self._ticked_ms, self._passed_ms = now_ms, passed_ms

    def _take(self, outcome: Outcome, now_ms: int) -> None:
        one = self._watched.get(outcome.request.agent.device)
        if one is None or outcome.request is not one.request:  # asked by a turn before this one
            return
        what, one.request = one.asking, None
        if what is Asking.WALK:
            one.walk_took_ms = outcome.took_ms
        if outcome.kind != FINE:
            (one.fail_walk if what is Asking.WALK else one.fail)(outcome.trouble, now_ms)
        elif what is Asking.WALK:
            self._walked.append((one, Walked.of(one.device, outcome.replies)))
        elif what is Asking.PROBE:
            self._take_probe(one, outcome, now_ms)
        else:
            self._take_poll(one, outcome, now_ms)

    def _take_probe(self, one: Watched, outcome: Outcome, now_ms: int) -> None:
        one.find(now_ms)
        if one.plan is not None and _has_restarted(one, outcome):
            one.doubt(None, now_ms, at_once=True)

    def _take_poll(self, one: Watched, outcome: Outcome, now_ms: int) -> None:
        if one.note_poll(outcome, now_ms):
            self._events.append(DataEvent(one.device, "", now_ms, STRETCHED, STRETCHED_TEXT))
        if one.plan is None:
            return
        poll = Polled(one.plan, outcome.replies)
        if _has_restarted(one, outcome):
            one.doubt(poll, now_ms, at_once=True)
        elif not (_has_changed(one, poll) and one.doubt(poll, now_ms, at_once=False)):
            self._polls.append(poll)
        if _has_other_status(one, poll):
            one.follow_carrier(now_ms)

    def _ask(self, now_ms: int) -> None:
        walking = sum(one.asking is Asking.WALK for one in self._watched.values())
        requests = []
        for one in self._watched.values():
            what, due_ms = one.wants(now_ms)
            if one.asking or due_ms > now_ms + TICK_MS or (what is Asking.WALK and walking >= MOST_WALKS):
                continue
            walking += what is Asking.WALK
            requests.append(one.ask(what, due_ms, now_ms))
        if requests:
            self._poller.submit(requests)

    def _keep(self, now_ms: int) -> None:
        if not self._polls:
            return
        kept = keeping.keep(self._engine, tuple(self._polls), now_ms, self._limits)
        self._polls.clear()
        for device, skew_ms in kept.skew_ms.items():
            self._watched[device].skew_ms = skew_ms
        if kept.taken.rejected:
            log.warning("samples were refused", count=len(kept.taken.rejected), first=kept.taken.rejected[0].reason)

    def _settle(self, now_ms: int) -> None:
        for _ in range(min(len(self._walked), MOST_SETTLED)):
            one, walked = self._walked[0]
            held = settled(self._engine, one, walked, now_ms)
            self._polls.extend([held] if held is not None else [])
            self._walked.popleft()

    def _heed_declarations(self, now_ms: int) -> None:
        """Have devices discovered anew of which people declare something else than before."""
        if self._looked_ms <= now_ms < self._looked_ms + DECLARATIONS_EVERY_MS:
            return
        with database.reading(self._engine) as connection:
            said = claims.declared(connection)
        first, self._looked_ms = not self._looked_ms, now_ms
        by_device: dict[str, list[Any]] = {}
        for claim in said:
            by_device.setdefault(claim.device, []).append(claim)
        now = {device: hash(tuple(some)) for device, some in by_device.items()}
        for device in self._declared.keys() | now.keys():
            if not first and device in self._watched and now.get(device) != self._declared.get(device):
                self._watched[device].walk_ms = now_ms
        self._declared = now

    def _look_closely(self, now_ms: int) -> None:
        """Ask the devices more often whose teams somebody looks at closely, and as ever once nobody does.

        Never more often than an agent's counters were seen to refresh: the same reading again says nothing.
        """
        if self._closer_ms <= now_ms < self._closer_ms + LOOKS_EVERY_MS:
            return
        self._closer_ms = now_ms
        with database.reading(self._engine) as connection:
            wanted = close_looks.wanted(connection, now_ms)
        for watch in self._watches:
            closer_ms = max(wanted.get(watch.agent.device, watch.interval_ms), self._patience.poll_least_ms)
            self._watched[watch.agent.device].ask_every(min(watch.interval_ms, closer_ms), now_ms)

    def _note(self, now_ms: int) -> None:
        news = [one.row() for one in self._watched.values() if one.is_news(now_ms)]
        if not news and not self._events:
            return

        def work(connection: Connection) -> None:
            agents.note(connection, news)
            events.keep(connection, self._events)

        database.retried(self._engine, work)
        self._events = []


def _has_restarted(one: Watched, outcome: Outcome) -> bool:
    """Whether the agent restarted since it was last asked; remembers what it says now."""
    last, before = outcome.replies[-1], one.uptime
    ticks = last.values.get(UPTIME)
    if ticks is None:
        return False
    one.uptime = Uptime(int(ticks), last.received_ms)
    return before is not None and restarted(before, one.uptime)


def _has_changed(one: Watched, poll: Polled) -> bool:
    """Whether rows are gone, or the agent says that its tables changed since it was last asked."""
    marks, before = changed_marks(poll.replies), one.marks
    one.marks = marks
    return (bool(before) and marks != before) or bool(missing([poll]))


def _has_other_status(one: Watched, poll: Polled) -> bool:
    """Whether a port came up or went down since it was last asked."""
    before, one.statuses = one.statuses, statuses(poll.plan, poll.replies)
    there = zip(before, one.statuses, strict=False)
    return any(now != then and now is not None and then is not None for then, now in there)
