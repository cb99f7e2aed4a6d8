"""One agent that is asked again and again: what to ask it next, and what its answers mean for that."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import chain
from typing import Any

from service.collection import timing
from service.collection.discovering import Settled
from service.collection.parting import as_answered
from service.collection.restarts import Uptime
from service.feeds.snmp.discovery import WALKED
from service.feeds.snmp.gathering import Polled
from service.feeds.snmp.plan import UPTIME, PollPlan
from service.snmp.agents import Outcome, Request, Watch
from service.storage.agents import Polling

# How often work is looked for; what is due until the next look is handed over at once, with the time to wait.
TICK_MS = 1000
# An agent whose tables are said to change again and again, and do not, is believed ever less often.
QUIET_MS = 60_000
# Reading whole tables is work for a device: however much changes, it is left alone ten times as long as that took.
REST = 10
# Ends of a cable agree some time after it has a carrier: with slow LACPDUs, one each 30 s (IEEE 802.1AX), so it is
# looked again as often.
LOOKS, LOOK_AFTER_MS = 2, 30_000
# How often the state of an agent is noted while nothing about it changes.
NOTE_EVERY_MS = 10_000
# One late start may be a pause of the machine; the second in a row says that there is too much to do.
LATE_STARTS = 2


class Asking(StrEnum):
    """What an agent is being asked."""

    NOTHING = ""
    WALK = "walk"  # its tables, to discover its teams
    POLL = "poll"
    PROBE = "probe"  # whether it answers at all, once


@dataclass(frozen=True)
class Patience:
    """How often to discover anew, how long to leave a silent agent alone at most, how often to poll at a close look."""

    discover_every_ms: int = 600_000
    backoff_most_ms: int = 60_000
    poll_least_ms: int = 5000


@dataclass
class Watched:
    """One agent and how it goes with it; `poll_ms` and `walk_ms` are when it is next asked for either."""

    watch: Watch
    patience: Patience
    since_ms: int
    poll_ms: int
    walk_ms: int
    asking: Asking = Asking.NOTHING
    request: Request | None = None
    asked_ms: int | None = None
    answered_ms: int | None = None
    failures: int = 0
    took_ms: int | None = None
    skew_ms: int | None = None
    polls: int = 0
    lost: int = 0
    trouble: str = ""
    notes: tuple[str, ...] = ()
    factor: float = 1.0
    in_time: int = 0
    late: int = 0
    plan: PollPlan | None = None
    uptime: Uptime | None = None
    marks: tuple[int, ...] = ()
    statuses: tuple[Any, ...] = ()
    looks: int = 0  # how many walks are to follow the next one, because a carrier came or went
    has_cause: bool = False  # something is known to have changed since the last walk
    is_unsure: bool = False  # after a restart an index may be another port's
    held: Polled | None = None  # a poll of which only the next discovery tells whose counters it has
    must_walk: bool = False
    walk_failures: int = 0
    walk_trouble: str = ""
    quiet_ms: int = 0
    walked_ms: int = 0
    walk_took_ms: int = 0
    noted_ms: int = 0
    noted: tuple[object, ...] = ()

    @classmethod
    def beginning(cls, watch: Watch, patience: Patience, now_ms: int) -> Watched:
        """An agent that is first asked somewhere in the interval that begins now, as its name decides."""
        first = timing.due_after(now_ms, watch.interval_ms, timing.phase_ms(watch.agent.device, watch.interval_ms))
        return cls(watch, patience, since_ms=now_ms, poll_ms=first, walk_ms=first)

    @property
    def whole_trouble(self) -> str:
        """All that is the matter, in words; empty where nothing is."""
        stretched = (
            f"polled every {self.stretched_ms / 1000:g} s instead of {self.watch.interval_ms / 1000:g} s:"
            " it answers too slowly, or there is too much to do here"
        )
        return "; ".join(filter(None, (self.trouble, self.walk_trouble, stretched if self.factor > 1 else "")))

    def go_on_from(self, noted: Polling | None) -> None:
        """Count on from what is noted of the agent already."""
        if noted is not None:
            self.polls, self.lost = self.polls + noted.polls, self.lost + noted.lost
            self.since_ms = noted.since_ms
            self.answered_ms = self.answered_ms or noted.answered_ms

    @property
    def device(self) -> str:
        """The device that the agent speaks for."""
        return self.watch.agent.device

    @property
    def stretched_ms(self) -> int:
        """The interval as it is kept."""
        return round(self.watch.interval_ms * self.factor)

    @property
    def interval_ends_ms(self) -> int:
        """When a poll that is under way should have been done."""
        return (self.asked_ms or 0) + self.stretched_ms

    def wants(self, now_ms: int) -> tuple[Asking, int]:
        """What to ask next, and when."""
        if self.failures:
            return Asking.PROBE, self.poll_ms
        if self.plan is None or not self.plan.pdus or self.must_walk:
            return Asking.WALK, self.walk_ms
        # Between two polls, so that none has to wait; where there is hardly any time between them, one waits for once.
        is_overdue = self.walk_ms <= now_ms - 2 * max(self.watch.interval_ms, TICK_MS)
        if is_overdue or (self.walk_ms <= now_ms and self.poll_ms > now_ms + TICK_MS):
            return Asking.WALK, self.walk_ms
        return Asking.POLL, self.poll_ms

    def ask(self, what: Asking, due_ms: int, now_ms: int) -> Request:
        """The request to hand to the poller."""
        wait_ms = max(0, due_ms - now_ms)
        self.asking, self.asked_ms = what, now_ms + wait_ms
        agent = self.watch.agent
        if what is Asking.WALK:
            self.request = Request(agent, columns=WALKED, after_ms=wait_ms)
        elif what is Asking.PROBE:
            self.request = Request(agent, pdus=((UPTIME,),), after_ms=wait_ms, tries=1)
        else:
            self._note_start(due_ms, now_ms)
            self.request = Request(agent, pdus=self.plan.pdus if self.plan else (), after_ms=wait_ms)
        return self.request

    def fail(self, trouble: str, now_ms: int) -> None:
        """Note that a poll or a probe, or the first walk, came to nothing, and leave the agent alone for a while."""
        self.polls, self.lost, self.failures = self.polls + 1, self.lost + 1, self.failures + 1
        self.trouble, self.held, self.in_time = trouble, None, 0
        wait_ms = timing.wait_ms(self.failures, self.watch.interval_ms, self.patience.backoff_most_ms)
        self.poll_ms = max(now_ms, (self.asked_ms or now_ms) + wait_ms)
        self.asking = Asking.NOTHING

    def fail_walk(self, trouble: str, now_ms: int, *, answered: bool = False) -> None:
        """Note that discovery came to nothing, and try it ever more rarely.

        Who is polled goes on being polled, but for after a restart: nobody knows then whose counters they are.
        """
        if self.is_unsure:
            self.plan, self.lost = None, self.lost + (self.held is not None)
            self.held = None
        self.walk_failures += 1
        base_ms = self.watch.interval_ms if self.plan is None else QUIET_MS
        self.walk_ms = now_ms + timing.wait_ms(self.walk_failures, base_ms, self.patience.discover_every_ms)
        if self.plan is None and not answered:
            self.fail(trouble, now_ms)
            return
        self.lost += self.held is not None
        self.held, self.must_walk, self.asking = None, False, Asking.NOTHING
        self.walk_trouble = f"its tables could not be used: {trouble}"

    def find(self, now_ms: int) -> None:
        """Note that a probe was answered: everything else follows at once."""
        self._note_answer(now_ms)
        self.poll_ms = now_ms

    def note_poll(self, outcome: Outcome, now_ms: int) -> bool:
        """Note that a poll was answered; whether this is when its interval has to be stretched."""
        self._note_answer(now_ms)
        if self.plan is not None:
            self.plan = as_answered(self.plan, outcome.replies)
        self.polls, self.took_ms = self.polls + 1, outcome.took_ms
        grew = self._fit_interval(outcome.replies[-1].received_ms)
        self.poll_ms = self._next_poll_ms(now_ms)
        return grew

    def settle(self, found: Settled, now_ms: int) -> Polled | None:
        """Go on with what a discovery found; the poll that was held until now, if its counters still mean the same."""
        same = self.plan is not None and meaning(self.plan) == meaning(found.plan)
        held, self.held = self.held, None
        if held is not None and not same:
            self.lost += 1
        if self.plan is None or held is not None:
            self.poll_ms = self.poll_ms if same else now_ms
        in_vain = same and not found.is_news and not self.has_cause
        self.quiet_ms = min(max(2 * self.quiet_ms, QUIET_MS), self.patience.discover_every_ms) if in_vain else 0
        self._note_answer(now_ms)
        self.plan, self.notes, self.marks, self.statuses = found.plan, found.notes, found.marks, found.statuses
        self.has_cause = self.is_unsure = False
        self.must_walk, self.walked_ms = False, now_ms
        self.walk_failures, self.walk_trouble = 0, ""
        self.walk_ms = now_ms + self.patience.discover_every_ms
        if self.looks:
            self.looks, self.has_cause = self.looks - 1, True
            self.walk_ms = min(self.walk_ms, now_ms + max(LOOK_AFTER_MS, self._rest_ms))
        return held if same else None

    def doubt(self, poll: Polled | None, now_ms: int, *, at_once: bool) -> bool:
        """Have the tables walked before anything of the poll is believed; whether that is so.

        Unless it must be `at_once`, an agent that has cried wolf is left alone for a while.
        """
        wait_ms = 0 if at_once else max(self.quiet_ms, self._rest_ms)
        if now_ms < self.walked_ms + wait_ms:
            self.walk_ms = min(self.walk_ms, self.walked_ms + wait_ms)
            return False
        self.held, self.must_walk, self.walk_ms = poll, True, now_ms
        self.is_unsure |= at_once
        return True

    def follow_carrier(self, now_ms: int) -> None:
        """Have the roles of members read anew, since a port came up or went down; its counters are believed as ever."""
        self.has_cause, self.looks = True, LOOKS
        self.walk_ms = min(self.walk_ms, max(now_ms, self.walked_ms + self._rest_ms))
        self.must_walk |= self.walk_ms <= now_ms

    def shift(self, by_ms: int) -> None:
        """Move everything that is noted by the clock: somebody set it."""
        self.poll_ms, self.walk_ms = self.poll_ms + by_ms, self.walk_ms + by_ms
        self.walked_ms, self.noted_ms = self.walked_ms + by_ms, self.noted_ms + by_ms
        self.asked_ms = None if self.asked_ms is None else self.asked_ms + by_ms
        self.uptime = None if self.uptime is None else Uptime(self.uptime.ticks, self.uptime.at_ms + by_ms)

    def ask_every(self, interval_ms: int, now_ms: int) -> None:
        """Poll it at another interval from now on, at its place in that one; what is under way goes on."""
        if interval_ms == self.watch.interval_ms:
            return
        self.watch = replace(self.watch, interval_ms=interval_ms)
        self.factor, self.in_time, self.late = 1.0, 0, 0
        if not self.failures:
            self.poll_ms = timing.due_after(now_ms, interval_ms, timing.phase_ms(self.device, interval_ms))

    def resume(self, now_ms: int) -> None:
        """Go on after a pause at the agent's place in the interval, or all would be asked at once."""
        interval_ms = self.watch.interval_ms
        if not self.asking and self.poll_ms < now_ms:
            self.poll_ms = timing.due_after(now_ms, interval_ms, timing.phase_ms(self.device, interval_ms))

    def row(self) -> Polling:
        """How it goes, as it is kept."""
        agent = self.watch.agent
        version = agent.credentials.version
        return Polling(
            device=self.device,
            address=agent.place,
            version=version,
            clear_text=version != "3",
            interval_ms=self.watch.interval_ms,
            stretched_ms=self.stretched_ms,
            since_ms=self.since_ms,
            asked_ms=self.asked_ms,
            answered_ms=self.answered_ms,
            failures=self.failures,
            next_ms=self.wants(self.noted_ms)[1],
            took_ms=self.took_ms,
            skew_ms=self.skew_ms,
            polls=self.polls,
            lost=self.lost,
            trouble=self.whole_trouble,
            notes=self.notes,
        )

    def is_news(self, now_ms: int) -> bool:
        """Whether how it goes should be noted now: when it changed, and every few seconds."""
        said = (self.whole_trouble, self.factor, self.notes, bool(self.failures))
        if self.asked_ms is None or (said == self.noted and now_ms < self.noted_ms + NOTE_EVERY_MS):
            return False
        self.noted, self.noted_ms = said, now_ms
        return True

    @property
    def _rest_ms(self) -> int:
        return REST * self.walk_took_ms

    def _note_answer(self, now_ms: int) -> None:
        self.answered_ms, self.failures, self.trouble = now_ms, 0, ""
        self.asking = Asking.NOTHING

    def _note_start(self, due_ms: int, now_ms: int) -> None:
        too_late = now_ms - due_ms > max(self.watch.interval_ms // 2, 2 * TICK_MS)
        self.late = self.late + 1 if too_late else 0

    def _fit_interval(self, done_ms: int) -> bool:
        asked_ms = self.asked_ms or done_ms
        if done_ms > self.interval_ends_ms or self.late >= LATE_STARTS:
            before, self.factor = self.factor, timing.stretched(self.factor)
            self.in_time = self.late = 0
            return before == 1.0
        shorter = self.watch.interval_ms * timing.shrunk(self.factor)
        fits = done_ms - asked_ms <= timing.ROOM * shorter and not self.late
        self.in_time = self.in_time + 1 if fits else 0
        if self.in_time >= timing.IN_TIME_BEFORE_SHRINKING:
            self.factor, self.in_time = timing.shrunk(self.factor), 0
        return False

    def _next_poll_ms(self, now_ms: int) -> int:
        asked_ms, interval_ms = self.asked_ms or now_ms, self.watch.interval_ms
        if self.factor > 1:
            return max(now_ms, asked_ms + self.stretched_ms)
        # Half an interval at least, or a poll out of turn would be followed by the next one at once.
        phase = timing.phase_ms(self.device, interval_ms)
        return timing.due_after(max(now_ms, asked_ms + interval_ms // 2), interval_ms, phase)


def meaning(plan: PollPlan) -> tuple[object, ...]:
    """What a poll's values mean: equal for two plans by which the same values are those of the same ports."""
    return frozenset(chain.from_iterable(plan.pdus)), tuple((port.port, port.if_index) for port in plan.ports)
