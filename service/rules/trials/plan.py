"""What is declared of a heavy-traffic check: streams, their times, the team they go through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from service.errors import WrongQuestion
from service.rules.trials.framing import Framing
from service.terms import DIRECTIONS

MOST_GROUPS, MOST_STREAMS = 32, 512
LONGEST_MS = 4 * 3_600_000
LEAST_MS = 10_000
LAST_MS = 253_402_300_800_000  # the year 10000, which RFC 3339 cannot write
CAUTIONS = (
    "heavy traffic only on links you own or have leave for, at an agreed time and with an agreed end;"
    " it takes room from everybody else on them",
    "this tool sends no traffic and changes nothing: it reads what members count while you push",
    "stop at the first harm to others; whoever answers for the links decides",
    "what TCP lost it sent again: octets that came later are in the sum, and a shift shows less than was lost",
    "one draw is one draw: how these streams landed says nothing of the next ones",
)


@dataclass(frozen=True)
class Group:
    """Some alike streams that begin and end together; `bps` is of each, as the framing says of what."""

    count: int
    bps: float
    begin_ms: int
    end_ms: int


@dataclass(frozen=True)
class Changed:
    """When the method or anything else was changed during the check, and what was recorded of it."""

    at_ms: int
    what: str = ""


@dataclass(frozen=True)
class Event:
    """A moment at which streams begin or end, and which."""

    at_ms: int
    begins: bool
    groups: tuple[Group, ...]


@dataclass(frozen=True)
class Plan:
    """A check of a team in one direction over [begin_ms, end_ms); WrongQuestion where it is none."""

    device: str
    team: str
    direction: str
    groups: tuple[Group, ...]
    begin_ms: int
    end_ms: int
    framing: Framing
    line: float = 0.75
    seed: int = 1
    changes: tuple[Changed, ...] = field(default=())

    def __post_init__(self) -> None:
        if self.direction not in DIRECTIONS:
            raise WrongQuestion("direction", f"is one of {' and '.join(DIRECTIONS)}")
        if not LEAST_MS <= self.end_ms - self.begin_ms <= LONGEST_MS:
            raise WrongQuestion("end", f"a check lasts {LEAST_MS // 1000} s to {LONGEST_MS // 3_600_000} h")
        if not 0 <= self.begin_ms < self.end_ms < LAST_MS:
            raise WrongQuestion("begin", "lies between the years 1970 and 9999, as its end does")
        if not 0 < self.line <= 1:
            raise WrongQuestion("line", "is a share of the speed, above 0 and at most 1")
        _check(self.groups, self.begin_ms, self.end_ms)

    @property
    def events(self) -> tuple[Event, ...]:
        """When streams begin and end, in order of time."""
        moments: dict[tuple[int, bool], list[Group]] = {}
        for group in self.groups:
            moments.setdefault((group.begin_ms, True), []).append(group)
            moments.setdefault((group.end_ms, False), []).append(group)
        return tuple(Event(*moment, tuple(moments[moment])) for moment in sorted(moments))

    def fullest(self) -> tuple[int, int]:
        """The stretch in which most is offered; of equals the first."""
        edges = sorted({event.at_ms for event in self.events})
        return max(pairwise(edges), key=lambda span: (sum(g.bps * g.count for g in self.during(*span)), -span[0]))

    def during(self, from_ms: int, to_ms: int) -> tuple[Group, ...]:
        """The streams that run through all of a stretch."""
        return tuple(group for group in self.groups if group.begin_ms <= from_ms and to_ms <= group.end_ms)

    def offered_octets(self, from_ms: int, to_ms: int) -> float:
        """What is offered over a stretch, in octets of what the stated rates are of."""
        return sum(
            group.count * group.bps * max(0, min(group.end_ms, to_ms) - max(group.begin_ms, from_ms)) / 8000
            for group in self.groups
        )


def _check(groups: Sequence[Group], begin_ms: int, end_ms: int) -> None:
    if not 1 <= len(groups) <= MOST_GROUPS or sum(group.count for group in groups) > MOST_STREAMS:
        raise WrongQuestion("streams", f"name 1 to {MOST_GROUPS} groups of at most {MOST_STREAMS} streams together")
    for group in groups:
        if group.count < 1 or not group.bps > 0:
            raise WrongQuestion("streams", "a group has at least one stream, and each a rate above 0")
        if not begin_ms <= group.begin_ms < group.end_ms <= end_ms:
            raise WrongQuestion("streams", "streams begin and end within the check, and last some time")
