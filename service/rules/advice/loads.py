"""What a team carries while it is found uneven: its members that can take load, and those that must not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from service.rules.situation import Situation
from service.terms import (
    BUILD_DIAGNOSES,
    DIAGNOSES,
    DIRECTIONS,
    KIND_WORDS,
    WHY_NOT_WORDS,
    Diagnosis,
    Floats,
    Kind,
    MemberFigure,
    Truths,
    WhyNot,
)

FULL_WIRE = 0.97  # of the wire: at this a member is full, and what it carries may be less than is wanted
DOWN = (WHY_NOT_WORDS[WhyNot.DOWN], WHY_NOT_WORDS[WhyNot.FLAP])
BROKEN_KINDS = {KIND_WORDS[kind] for kind in (Kind.ONE_SIDED, Kind.UNANSWERED, Kind.SICK)}


class Member(NamedTuple):
    """A member that can take load, and the mean rate it carried."""

    port: str
    capacity_bps: float
    load_bps: float


@dataclass(frozen=True)
class Loads:
    """The members among which load can be dealt, and why the others are left out.

    `broken` are members under a build diagnosis, with the diagnosis in words; `absent` those that are standby, down
    or unknown. `before_bps` is what each of `members` carried before the finding began, NaN where nobody knows.
    """

    members: tuple[Member, ...]
    broken: dict[str, str]
    absent: dict[str, str]
    before_bps: tuple[float, ...]
    line: float
    clear: float

    @property
    def gone(self) -> dict[str, str]:
        """The members that are down, or were for a part of the time."""
        return {port: why for port, why in self.absent.items() if why in DOWN}

    @property
    def capacity_bps(self) -> tuple[float, ...]:
        """What each member can carry."""
        return tuple(member.capacity_bps for member in self.members)

    @property
    def total_bps(self) -> float:
        """What all members carried together."""
        return sum(member.load_bps for member in self.members)

    @property
    def even_split(self) -> float | None:
        """What every member would show under an even split, None where no member can take load."""
        whole = sum(self.capacity_bps)
        return self.total_bps / whole if whole else None

    @property
    def one_lost(self) -> float | None:
        """What every other member would show if the fastest were lost, None where no other is there."""
        left = sum(self.capacity_bps) - max(self.capacity_bps, default=0.0)
        return self.total_bps / left if left else None

    @property
    def hottest(self) -> int:
        """The position of the member with the highest utilisation."""
        return max(range(len(self.members)), key=lambda at: self.members[at].load_bps / self.capacity_bps[at])

    @property
    def busiest(self) -> float:
        """The highest utilisation."""
        return max((member.load_bps / member.capacity_bps for member in self.members), default=0.0)

    @property
    def is_squeezed(self) -> bool:
        """Whether the hottest member is full, so that its conversations may want more than they get."""
        return self.busiest >= FULL_WIRE


def loads_of(situation: Situation, diagnoses: tuple[Diagnosis, ...]) -> Loads:
    """The mean loads over the windows from the first flagged one to the last."""
    broken = broken_members(situation, diagnoses)
    mean, before = _means(situation)
    members, was, absent = [], [], {}
    for at, port in enumerate(situation.ports):
        figure = _figure(situation, port)
        speed = _speed(situation, at, figure)
        load = mean[at] if not np.isnan(mean[at]) else speed * (figure.utilisation or 0.0)
        if port in broken:
            continue
        if figure.why_not or speed <= 0:
            absent[port] = figure.why_not or "speed unknown"
            continue
        members.append(Member(port, float(speed), float(load)))
        was.append(float(before[at]))
    rule = situation.rule
    return Loads(tuple(members), broken, absent, tuple(was), rule.hot_above, rule.clear_below)


def broken_members(situation: Situation, diagnoses: tuple[Diagnosis, ...]) -> dict[str, str]:
    """The members under a build diagnosis, however sure, by port; none of them may be offered load."""
    finding = situation.finding
    told = {m.port: "broken" for m in finding.members if m.why_not == WHY_NOT_WORDS[WhyNot.BROKEN]}
    told |= {situation.ports[at]: "broken" for at in _broken_now(situation)}
    if finding.kind in BROKEN_KINDS:
        told |= {member.port: finding.kind for member in finding.hot}
    for diagnosis in diagnoses:
        if diagnosis.name in BUILD_DIAGNOSES:
            told |= dict.fromkeys(diagnosis.members, DIAGNOSES[diagnosis.name])
    return told


def _broken_now(situation: Situation) -> list[int]:
    why_not = situation.windows.why_not
    if not why_not.size:
        return []
    return np.flatnonzero((why_not[: len(situation.ports), -1] == WhyNot.BROKEN).any(axis=-1)).tolist()


def _means(situation: Situation) -> tuple[Floats, Floats]:
    """Mean rates in bit/s of each port while the finding lasted and before it, shape (n_ports,); NaN where unknown."""
    finding, windows = situation.finding, situation.windows
    way, starts = DIRECTIONS.index(finding.direction), windows.span.starts()
    used = windows.utilisation[:, :, way]
    rates = used * windows.speed_bps
    lasted = (starts >= finding.since_ms) & (starts < (finding.hot_until_ms or windows.span.end_ms))
    return _mean(rates[:, _hot_ones(situation, used, lasted)]), _mean(rates[:, starts < finding.since_ms])


def _hot_ones(situation: Situation, used: Floats, lasted: Truths) -> Truths:
    """The windows to take means of, shape (n_windows,): all while it lasted, if these show a member above the line.

    Where what is heavy moved between members meanwhile, they show neither hot: then those in which one of the
    finding's hot members was.
    """
    line = situation.rule.hot_above
    hot = {member.port for member in situation.finding.hot}
    rows = [at for at, port in enumerate(situation.ports) if port in hot]
    above = lasted & (used[rows] > line).any(axis=0)
    return above if above.any() and not (_mean(used[:, lasted]) > line).any() else lasted


def _mean(rates: Floats) -> Floats:
    """Means over known windows, shape (n_ports,); a port that nobody read has none, and NaN says so."""
    known = ~np.isnan(rates)
    count = known.sum(axis=1)
    sums = np.where(known, rates, 0.0).sum(axis=1)
    means: Floats = np.divide(sums, count, out=np.full(len(rates), np.nan), where=count > 0)
    return means


def _figure(situation: Situation, port: str) -> MemberFigure:
    known = {member.port: member for member in situation.finding.members}
    return known.get(port, MemberFigure(port, None, 0, WHY_NOT_WORDS[WhyNot.NO_DATA]))


def _speed(situation: Situation, at: int, figure: MemberFigure) -> int:
    told = situation.windows.speed_bps[at]
    return figure.speed_bps or (int(told[-1]) if len(told) else 0)
