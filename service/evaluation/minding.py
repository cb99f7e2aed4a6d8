"""Sources in the order in which they need minding: who is not heard, who has trouble, who is read in clear text."""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from itertools import chain
from typing import NamedTuple

from sqlalchemy import Connection, and_

from service.evaluation.listening import BLIND, Counts, Standing, State, counted, standing, steady
from service.storage import listening
from service.storage.listening import Pulse


class Rank(IntEnum):
    """How soon a source needs minding."""

    BLIND = 0
    TROUBLED = 1
    CLEAR_TEXT = 2
    CALM = 3


class Minded(NamedTuple):
    """A source, how it stands, and how soon it needs minding."""

    rank: Rank
    pulse: Pulse
    stands: Standing

    @property
    def place(self) -> tuple[int, str]:
        """Where it stands in the list."""
        return int(self.rank), self.pulse.device


class Sought(NamedTuple):
    """Which sources are wanted: those whose names have these parts, after a place in the list."""

    words: tuple[str, ...] = ()
    after: tuple[int, str] | None = None


class Roll(NamedTuple):
    """How many sources there are in each state, and some of them in order."""

    counts: Counts
    some: list[Minded]


def roll(connection: Connection, waits_ms: Callable[[str], int], now_ms: int, sought: Sought, limit: int) -> Roll:
    """All are counted; of those that are wanted at most so many are listed.

    Most sources of a fleet are plainly heard and have no trouble: those are neither read nor ranked one by one.
    """
    plain = and_(steady(now_ms), listening.calm())
    closer = [_minded(one, standing(one, now_ms, waits_ms)) for one in listening.pulses(connection, but=plain)]
    counts = counted([one.stands for one in closer])
    heard = listening.how_many(connection, plain)
    wanted = (one for one in closer if _is_wanted(one, sought))
    calm = listening.clear_text_first(connection, plain, sought.words, _among_the_plain(sought.after), limit)
    every = sorted(chain(wanted, (_minded(one, Standing(State.HEARD)) for one in calm)), key=lambda one: one.place)
    return Roll(counts._replace(heard=counts.heard + heard), every[:limit])


def _is_wanted(one: Minded, sought: Sought) -> bool:
    name = one.pulse.device.casefold()
    is_after = sought.after is None or one.place > sought.after
    return is_after and all(word.casefold() in name for word in sought.words)


def _among_the_plain(after: tuple[int, str] | None) -> tuple[bool, str] | None:
    """The place among those that are plainly heard after which a list goes on; None where it begins before them."""
    if after is None or after[0] < Rank.CLEAR_TEXT:
        return None
    return after[0] == Rank.CLEAR_TEXT, after[1]


def _minded(pulse: Pulse, stands: Standing) -> Minded:
    if stands.state in BLIND:
        return Minded(Rank.BLIND, pulse, stands)
    if pulse.trouble or (pulse.asked_every_ms or 0) > (pulse.usual_ms or pulse.asked_every_ms or 0):
        return Minded(Rank.TROUBLED, pulse, stands)
    return Minded(Rank.CLEAR_TEXT if pulse.clear_text else Rank.CALM, pulse, stands)
