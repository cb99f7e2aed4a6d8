"""The week of all teams, made of what their days came to."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.rules.weekly.losing import cannot_lose_a_member, load_after_loss
from service.rules.weekly.methods import MethodCount, inventory
from service.rules.weekly.stranding import Stranded, ranked
from service.rules.weekly.trend import Trend, trend
from service.terms import TeamDay

DAY_MS = 86_400_000
DAYS = 7
FOLLOWED = 10
"""Of how many team sides, the fullest first, a trend is told: one page holds no more."""
WEEKS = 26
"""How far back a trend looks: half a year. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Named:
    """A team as people know it, and how it deals traffic out."""

    device: str
    team: str
    method: str
    far_end: str
    hot_above: float


@dataclass(frozen=True, slots=True)
class Side:
    """One direction of a team, by its id and names."""

    team_id: int
    direction: int
    device: str
    team: str


@dataclass(frozen=True, slots=True)
class StrandedLine:
    """What a side left stranded, and in what time."""

    side: Side
    gbit_hours: float
    hours: float


@dataclass(frozen=True, slots=True)
class LosingLine:
    """A side that could not carry its busiest hour with a member less: that hour, its rate, the load then."""

    side: Side
    busy_ms: int
    busy_bps: float
    load: float


@dataclass(frozen=True, slots=True)
class HeadingLine:
    """The even split of a side this week in per cent, its hot line, of how many weeks (of the last 26) it is known, and
    where that heads (None: too few weeks)."""

    side: Side
    even_split: float
    crossing: float
    known: int
    trend: Trend | None


@dataclass(frozen=True, slots=True)
class Week:
    """A week of all teams, half-open; `seen` is the share of its time in which windows were evaluable, NaN of none."""

    from_ms: int
    to_ms: int
    teams: int
    seen: float
    stranded: tuple[StrandedLine, ...]
    losing: tuple[LosingLine, ...]
    heading: tuple[HeadingLine, ...]
    methods: tuple[MethodCount, ...]

    @property
    def gbit_hours(self) -> float:
        """All that lay stranded on the list, Gbit/s times hours."""
        return math.fsum(line.gbit_hours for line in self.stranded)

    @property
    def mismatched(self) -> int:
        """How many teams use a method that their far end cannot bear."""
        return sum(count.teams for count in self.methods if count.mismatch)


Place = tuple[int, int]


def fullest(days: Iterable[TeamDay], most: int = FOLLOWED) -> tuple[Place, ...]:
    """The sides (team, direction) with the highest even split, those that a trend is told of."""
    highest = {place: _even(some) for place, some in _by_place(days).items()}
    known = [(-even, place) for place, even in highest.items() if not math.isnan(even)]
    return tuple(place for _, place in sorted(known)[:most])


def report(to_ms: int, days: Sequence[TeamDay], before: Iterable[TeamDay], named: Mapping[int, Named]) -> Week:
    """The week that ends at `to_ms`.

    Parameters
    ----------
    days : sequence of TeamDay
        Those of the seven days.
    before : iterable of TeamDay
        Those of the weeks before, of the sides that `fullest` names.
    named : mapping
        The teams by id; a side whose team is not there any more is left out.
    """
    places = {place: some for place, some in _by_place(days).items() if place[0] in named}
    seen = [day for some in places.values() for day in some]
    past = _by_place(before)
    return Week(
        from_ms=to_ms - DAYS * DAY_MS,
        to_ms=to_ms,
        teams=len({day.team_id for day in seen if day.seen_seconds > 0}),
        seen=math.fsum(day.seen_seconds for day in seen) / (DAYS * DAY_MS / 1000) / len(places) if places else math.nan,
        stranded=_stranded(places, named),
        losing=_losing(places, named),
        heading=tuple(_heading(place, places[place], past.get(place, []), to_ms, named) for place in fullest(seen)),
        methods=inventory((one.method, one.far_end) for one in named.values()),
    )


def _by_place(days: Iterable[TeamDay]) -> dict[Place, list[TeamDay]]:
    found: dict[Place, list[TeamDay]] = {}
    for day in days:
        found.setdefault((day.team_id, day.direction), []).append(day)
    return found


def _side(place: Place, named: Mapping[int, Named]) -> Side:
    return Side(*place, named[place[0]].device, named[place[0]].team)


def _stranded(places: Mapping[Place, Sequence[TeamDay]], named: Mapping[int, Named]) -> tuple[StrandedLine, ...]:
    sums = (
        Stranded(*place, math.fsum(d.stranded_bit_seconds for d in days), math.fsum(d.stranded_seconds for d in days))
        for place, days in places.items()
    )
    return tuple(
        StrandedLine(_side((one.team_id, one.direction), named), one.gbit_hours, one.seconds / 3600)
        for one in ranked(sums)
    )


def _losing(places: Mapping[Place, Sequence[TeamDay]], named: Mapping[int, Named]) -> tuple[LosingLine, ...]:
    """The worst hour of each side, the fullest first."""
    worst = []
    for place, days in places.items():
        loads = [(load_after_loss(day.busy_bps, day.speeds_bps), day) for day in days]
        above = [(load, day) for load, day in loads if cannot_lose_a_member(load)]
        if above:
            load, day = max(above, key=lambda one: (one[0], -one[1].day_ms))
            worst.append(LosingLine(_side(place, named), day.busy_ms, day.busy_bps, load))
    return tuple(sorted(worst, key=lambda one: (-one.load, one.side.team_id, one.side.direction)))


def _heading(
    place: Place, days: Sequence[TeamDay], past: Sequence[TeamDay], to_ms: int, named: Mapping[int, Named]
) -> HeadingLine:
    weeks: list[list[TeamDay]] = [[] for _ in range(WEEKS)]
    for day in (*past, *days):
        back = (to_ms - 1 - day.day_ms) // (DAYS * DAY_MS)
        if 0 <= back < WEEKS:
            weeks[WEEKS - 1 - back].append(day)
    values = [100 * _even(some) for some in weeks]
    crossing = 100 * named[place[0]].hot_above
    known = sum(not math.isnan(one) for one in values)
    return HeadingLine(_side(place, named), values[-1], crossing, known, trend(values, crossing))


def _even(days: Iterable[TeamDay]) -> float:
    """The highest of the days' 95th percentiles of the even split; NaN where none is known."""
    return max((day.even_p95 for day in days if not math.isnan(day.even_p95)), default=math.nan)
