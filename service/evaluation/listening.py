"""Who is heard: sources that missed three polls are silent at once, not only when their windows are decided.

How often a source is heard is learned while listening, from when something came of it: a source that
sends a minute's samples at a time is no source that falls silent every minute. A time in which this
service itself was not listening is held against nobody: each source gets its three polls from then on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import NamedTuple

from sqlalchemy import ColumnElement, Connection, Engine

from service.numerics.silence import missed_by_ms
from service.rules import words
from service.rules.event_texts import TEXTS
from service.storage import database, events, listening
from service.storage.listening import Mark, Pulse
from service.terms import DataEvent

FILES = ("csv",)
POLLED = "snmp"
# Samples older than this when they came were no report of how things stand, but a past that was handed in.
CURRENT_MS = 48 * 3_600_000
# What a source is spared beside its interval: how finely the listening itself looks.
LEAST_MS = 5_000
# Longer than this between two looks, and this service was not listening itself.
DEAF_MS = 30_000
RHYTHM_OF = 8  # the last so many times between receipts tell how often something comes
LEARNED_FROM = 3
UNSTEADY = 1.5  # receipts that come so much later than samples are taken are late, not rarer
# Two silences of one source that begin as near to each other are one: its ports are read one after the other.
SAME_MS = 3_000


class State(StrEnum):
    """How a source stands: `ended` is one of a file, or one that is no longer polled, of which no more is expected."""

    HEARD = "heard"
    SILENT = "silent"
    NEVER = "never"
    ENDED = "ended"


BLIND = (State.SILENT, State.NEVER)


class Standing(NamedTuple):
    """How a source stands; since when nothing is known of it, where that is so."""

    state: State
    since_ms: int | None = None


class Counts(NamedTuple):
    """How many sources there are in each state; those that ended are not watched."""

    heard: int
    silent: int
    never: int
    ended: int

    @property
    def watched(self) -> int:
        """Sources that should be heard."""
        return self.heard + self.silent + self.never

    @property
    def blind(self) -> int:
        """Sources that should be heard and are not."""
        return self.silent + self.never


def counted(standings: Sequence[Standing]) -> Counts:
    """How many sources stand how."""
    states = [standing.state for standing in standings]
    return Counts(*(states.count(state) for state in State))


def standings(connection: Connection, waits_ms: Callable[[str], int], now_ms: int) -> list[tuple[Pulse, Standing]]:
    """Every source, and how it stands."""
    return [(pulse, standing(pulse, now_ms, waits_ms)) for pulse in listening.pulses(connection)]


def steady(now_ms: int) -> ColumnElement[bool]:
    """Sources that are plainly heard: nothing else needs to be known of them to tell."""
    return listening.steady(now_ms, (*FILES, POLLED))


class Glance(NamedTuple):
    """How many sources stand how, and those of them of which it took a closer look to tell."""

    counts: Counts
    closer: list[tuple[Pulse, Standing]]


def glance(connection: Connection, waits_ms: Callable[[str], int], now_ms: int) -> Glance:
    """How all sources stand, as `standings` tells it, without reading those that are plainly heard."""
    plainly = steady(now_ms)
    heard = listening.how_many(connection, plainly)
    closer = [(pulse, standing(pulse, now_ms, waits_ms)) for pulse in listening.pulses(connection, but=plainly)]
    counts = counted([stands for _, stands in closer])
    return Glance(counts._replace(heard=counts.heard + heard), closer)


def standing(pulse: Pulse, now_ms: int, waits_ms: Callable[[str], int]) -> Standing:
    """How a source stands, without having listened to it: one that sends is spared what its windows wait as well."""
    every_ms = pulse.asked_every_ms or pulse.interval_ms or 0
    spared_ms = 0 if pulse.asked_every_ms else waits_ms(pulse.feed)
    return _standing(pulse, every_ms, is_late=now_ms - came_ms(pulse) > max(_limit_ms(every_ms), spared_ms))


def _limit_ms(every_ms: int) -> int:
    return max(missed_by_ms(every_ms), LEAST_MS)


def _standing(pulse: Pulse, every_ms: int, *, is_late: bool) -> Standing:
    """How a source stands that should be heard every so often, 0 where that is not known, and was or was not."""
    if pulse.asked_every_ms is None and (pulse.feed in FILES or pulse.feed == POLLED):
        return Standing(State.ENDED)
    word_ms = last_word_ms(pulse)
    if pulse.silent_since_ms is not None and (is_late or (word_ms or 0) <= pulse.silent_since_ms):
        return Standing(State.SILENT, pulse.silent_since_ms)
    if word_ms is None:
        return Standing(State.NEVER, pulse.polled_since_ms)
    if is_late and every_ms and _told_of_its_time(pulse):
        return Standing(State.SILENT, word_ms)
    return Standing(State.HEARD)


def last_word_ms(pulse: Pulse) -> int | None:
    """When it last told something, on this service's clock: its newest sample, or an answer where it never told one."""
    if pulse.last_sample_ms is None:
        return pulse.answered_ms
    return pulse.last_sample_ms + (pulse.clock_offset_ms or 0)


def came_ms(pulse: Pulse) -> int:
    """When that came here; 0 where nothing ever did."""
    return (pulse.answered_ms if pulse.last_sample_ms is None else pulse.last_received_ms) or 0


def _told_of_its_time(pulse: Pulse) -> bool:
    return came_ms(pulse) - (last_word_ms(pulse) or 0) < CURRENT_MS


@dataclass(frozen=True)
class Outcome:
    """What a look at all sources noted: how many fell silent, and how many were heard again."""

    silent: int = 0
    heard: int = 0


class Listener:
    """Looks at all sources every few seconds and notes who fell silent and who is heard again.

    One listens to a database at a time. What it remembers is how often something comes of each
    source; whoever starts anew spares each what its windows wait until that is learned again.
    """

    def __init__(self, engine: Engine, waits_ms: Callable[[str], int]) -> None:
        self._engine = engine
        self._waits_ms = waits_ms
        self._looked_ms: int | None = None
        self._came: dict[str, int] = {}
        self._gaps: dict[str, tuple[int, ...]] = {}
        self._spared: dict[str, tuple[int, int]] = {}  # by device: what came last then, and from when it counts

    def listen(self, now_ms: int) -> Outcome:
        """Note what has changed by `now_ms`."""
        with database.reading(self._engine) as connection:
            pulses = listening.pulses(connection)
        self._attend(pulses, now_ms)
        judged = ((pulse, self._judged(pulse, now_ms)) for pulse in pulses if pulse.device_id is not None)
        news = [(pulse, stands) for pulse, stands in judged if _is_news(pulse, stands)]
        return database.retried(self._engine, partial(_noted, news=news)) if news else Outcome()

    def _attend(self, pulses: Sequence[Pulse], now_ms: int) -> None:
        """Learn how often something comes, and spare everybody the time in which nobody listened."""
        deaf = self._looked_ms is None or now_ms - self._looked_ms > DEAF_MS
        self._looked_ms = now_ms
        for pulse in pulses:
            came, before = came_ms(pulse), self._came.get(pulse.device)
            if not deaf and before is not None and came > before:
                self._gaps[pulse.device] = (*self._gaps.get(pulse.device, ()), came - before)[-RHYTHM_OF:]
            self._came[pulse.device] = came
            # Once for each word: else a service that is held up again and again would never tell.
            if deaf and self._spared.get(pulse.device, (None, 0))[0] != came:
                self._spared[pulse.device] = (came, now_ms)

    def _judged(self, pulse: Pulse, now_ms: int) -> Standing:
        from_ms = max(came_ms(pulse), self._spared_until_ms(pulse))
        every_ms, wait_ms = self._pace_ms(pulse)
        return _standing(pulse, every_ms, is_late=now_ms - from_ms > max(_limit_ms(every_ms), wait_ms))

    def _pace_ms(self, pulse: Pulse) -> tuple[int, int]:
        """How often something should come of a source, and what it is spared while that is not known by listening."""
        if pulse.asked_every_ms is not None:
            return pulse.asked_every_ms, 0
        told_ms, gaps = pulse.interval_ms or 0, self._gaps.get(pulse.device, ())
        if len(gaps) < LEARNED_FROM:
            return told_ms, self._waits_ms(pulse.feed)
        # The longest but one: what comes in bursts is judged by the pauses between them, and one outage is no pause.
        rhythm_ms = sorted(gaps)[-2]
        return (told_ms if rhythm_ms <= UNSTEADY * told_ms else rhythm_ms), 0

    def _spared_until_ms(self, pulse: Pulse) -> int:
        came, until_ms = self._spared.get(pulse.device, (None, 0))
        return until_ms if came == came_ms(pulse) else 0


def _is_news(pulse: Pulse, stands: Standing) -> bool:
    return stands.state is not State.NEVER and stands.since_ms != pulse.silent_since_ms


def _noted(connection: Connection, *, news: Sequence[tuple[Pulse, Standing]]) -> Outcome:
    fallen = [(pulse, stands.since_ms) for pulse, stands in news if stands.since_ms is not None]
    risen = [(pulse, stands) for pulse, stands in news if stands.since_ms is None]
    silent = listening.fall_silent(connection, [_mark(pulse, since_ms) for pulse, since_ms in fallen])
    heard = listening.hear_again(connection, [_mark(pulse, pulse.silent_since_ms) for pulse, _ in risen])
    said = [_silence(pulse, since_ms) for pulse, since_ms in fallen if pulse.device_id in silent]
    events.keep(connection, untold(connection, said))
    # What has ended is silent no more, and not heard again either.
    again = [pulse for pulse, stands in risen if pulse.device_id in heard and stands.state is State.HEARD]
    events.keep(connection, [_return(pulse) for pulse in again])
    return Outcome(len(silent), len(again))


def _mark(pulse: Pulse, since_ms: int | None) -> Mark:
    return Mark(pulse.device_id or 0, since_ms or 0, pulse.last_received_ms or 0)


def _silence(pulse: Pulse, since_ms: int) -> DataEvent:
    return DataEvent(pulse.device, "", since_ms, "silent", TEXTS["silent"])


def _return(pulse: Pulse) -> DataEvent:
    lasted = words.minutes(came_ms(pulse) - (pulse.silent_since_ms or 0))
    return DataEvent(pulse.device, "", came_ms(pulse), "heard-again", f"{TEXTS['heard-again']} (silent for {lasted})")


def untold(connection: Connection, silences: Sequence[DataEvent]) -> list[DataEvent]:
    """Silences of which nothing was said yet: evaluation and listening may each find one, some milliseconds apart."""
    if not silences:
        return []
    instants = [one.at_ms for one in silences]
    devices = [one.device for one in silences]
    told = events.times(connection, "silent", devices, min(instants) - SAME_MS, max(instants) + SAME_MS)
    return [one for one in silences if all(abs(at_ms - one.at_ms) > SAME_MS for at_ms in told.get(one.device, ()))]
