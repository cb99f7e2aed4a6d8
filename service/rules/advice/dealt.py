"""What a method would deal out: whole items and their rates, and what stays where it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

import numpy as np

from service.numerics.steps import DISTINCT, steps, wander
from service.rules import words
from service.rules.advice.loads import Loads
from service.rules.diagnoses.signs import LEAST_STEP
from service.rules.situation import Situation
from service.terms import CONVERSATION, DIRECTIONS, VIRTUAL_PORT, Diagnosis, Item

MOST_ITEMS = 40  # the heaviest are drawn one by one: of so many a draw takes some ten milliseconds
MOST_STREAMS = 256
WHAT = "virtual-port counters or conversation records"
ONE = "one-conversation"


class Dealt(NamedTuple):
    """What is dealt: names, rates in bit/s and present positions of items, and what each member carries besides.

    Empty without items; `missing` then names what would have to be known. `rests_on` says what was reckoned with.
    """

    names: tuple[str, ...] = ()
    weights_bps: tuple[float, ...] = ()
    positions: tuple[int, ...] = ()
    background_bps: tuple[float, ...] = ()
    rests_on: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def largest(self) -> float:
        """The rate of the heaviest item."""
        return max(self.weights_bps, default=0.0)


Key = Callable[[Item], str]
BY_HOST, BY_MAC, BY_PAIR, BY_ITSELF = "host", "mac", "pair", "itself"
FEEDS_ON = {
    "virtual-port": BY_HOST,
    "load-aware": BY_HOST,
    "source-mac": BY_MAC,
    "ip-pair": BY_PAIR,
    "layer4-tuple": BY_ITSELF,
    "far-end": BY_ITSELF,
}


def dealt(
    method: str,
    situation: Situation,
    loads: Loads,
    diagnoses: tuple[Diagnosis, ...],
    streams: Mapping[str, int],
) -> Dealt:
    """What a method of FEEDS_ON deals out for a finding.

    Parameters
    ----------
    streams : mapping of item name to number of alike, parallel conversations
        Into how many an operator can split an item; only what deals conversations profits.
    """
    named = [item for item in situation.items if item.name and item.bps > 0]
    if not named:
        one = _of_one(loads, diagnoses, FEEDS_ON[method], streams)
        return one if one.names or not loads.members else _of_steps(situation, loads, one.missing)
    by = FEEDS_ON[method]
    chosen, assumed = _chosen(named, by)
    split = by == BY_ITSELF
    told = _spread(_grouped(chosen, _key(by, situation.finding.direction)), streams if split else {}, split=split)
    names, weights, ports = zip(*told[:MOST_ITEMS], strict=True)
    rest = _Rest(told[MOST_ITEMS:], is_spread=method != "load-aware")
    seats = {member.port: at for at, member in enumerate(loads.members)}
    return Dealt(
        names,
        weights,
        tuple(seats.get(port, loads.hottest) for port in ports),
        rest.over(_background(chosen, loads), loads),
        (*_rests_on(chosen, loads, situation.items_s), *assumed, *_split(told, streams if split else {}), *rest.said()),
        () if streams else _missing(chosen, by),
    )


class _Rest(NamedTuple):
    """Items too light and too many to be drawn one by one: dealt anew they come out near even, else they stay."""

    items: list[tuple[str, float, str]]
    is_spread: bool

    def over(self, background: tuple[float, ...], loads: Loads) -> tuple[float, ...]:
        """What each member carries with these besides."""
        whole, speeds = sum(bps for _, bps, _ in self.items), sum(loads.capacity_bps)
        if self.is_spread:
            more = [whole * speed / speeds for speed in loads.capacity_bps]
        else:
            more = [sum(bps for _, bps, port in self.items if port == member.port) for member in loads.members]
        return tuple(here + added for here, added in zip(background, more, strict=True))

    def said(self) -> tuple[str, ...]:
        """That it was done, and how light they are."""
        if not self.items or not self.is_spread:
            return ()
        most = words.rate(self.items[0][1])
        return (f"{len(self.items)} more of at most {most} each are taken for evenly spread once they are dealt anew",)


def _chosen(named: list[Item], by: str) -> tuple[list[Item], tuple[str, ...]]:
    """Items of the kind that a method deals where a source tells of any, else of the other."""
    finest = [item for item in named if item.kind == CONVERSATION]
    whole = [item for item in named if item.kind == VIRTUAL_PORT]
    if by in (BY_HOST, BY_MAC):
        return (whole, ()) if whole else (finest, (_BY_ADDRESS,))
    if finest:
        return finest, ()
    return whole, ((_ONE_PAIR,) if by == BY_PAIR else ())


_BY_ADDRESS = "assumed: one virtual port for each address at this end"
_ONE_PAIR = "assumed: each virtual port talks to one address"


def _key(by: str, direction: str) -> Key:
    if by in (BY_HOST, BY_MAC):
        return lambda item: item.name if item.kind == VIRTUAL_PORT else _own_address(item, direction)
    if by == BY_PAIR:
        return _pair
    return lambda item: item.name


def _own_address(item: Item, direction: str) -> str:
    ends = item.endpoints
    own = (ends.source_mac, ends.source) if direction == "egress" else (ends.destination_mac, ends.destination)
    return own[0] or own[1] or item.name


def _pair(item: Item) -> str:
    ends = item.endpoints
    return f"{ends.source} to {ends.destination}" if ends.source and ends.destination else item.name


class _Group(NamedTuple):
    name: str
    bps: float
    port: str
    parts: int


def _grouped(items: Iterable[Item], key: Key) -> list[_Group]:
    """Items of one key together, the heaviest first; each where most of it is carried."""
    rates: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    parts: dict[str, int] = defaultdict(int)
    for item in items:
        rates[key(item)][item.port] += item.bps
        parts[key(item)] += item.parts
    groups = [
        _Group(name, sum(ports.values()), max(ports, key=lambda port: ports[port]), parts[name])
        for name, ports in rates.items()
    ]
    return sorted(groups, key=lambda group: (-group.bps, group.name))


def _spread(groups: list[_Group], streams: Mapping[str, int], *, split: bool) -> list[tuple[str, float, str]]:
    """Name, rate and port of each item, an item that is made up of several alike ones as those, heaviest first."""
    told: list[tuple[str, float, str]] = []
    for group in groups:
        count = min(streams.get(group.name, group.parts if split else 1) or 1, MOST_STREAMS)
        told += [(group.name, group.bps / count, group.port)] * count
    return sorted(told, key=lambda one: -one[1])


def _background(items: Iterable[Item], loads: Loads) -> tuple[float, ...]:
    """What each member carried besides the items."""
    named: dict[str, float] = defaultdict(float)
    for item in items:
        named[item.port or loads.members[loads.hottest].port] += item.bps
    return tuple(max(0.0, member.load_bps - named[member.port]) for member in loads.members)


def _rests_on(items: list[Item], loads: Loads, seconds: float) -> tuple[str, ...]:
    kind = "virtual ports" if items[0].kind == VIRTUAL_PORT else "conversations"
    heaviest = sorted(items, key=lambda item: (-item.bps, item.name))[:4]
    named = ", ".join(f"{item.name} {words.rate(item.bps)}" for item in heaviest)
    more = f" and {len(items) - len(heaviest)} more" if len(items) > len(heaviest) else ""
    over = f", over {words.minutes(round(seconds) * 1000)}" if seconds else ""
    rest = ", ".join(
        f"{words.rate(bps)} on {member.port}"
        for member, bps in zip(loads.members, _background(items, loads), strict=True)
        if bps >= 0.005 * member.capacity_bps
    )
    told = f"{len(items)} {kind}: {named}{more}{over}"
    return (told, f"what nobody named stays where it is: {rest}") if rest else (told,)


def _split(told: list[tuple[str, float, str]], streams: Mapping[str, int]) -> tuple[str, ...]:
    """How many conversations each item was taken for, where that is more than one, and on whose word."""
    counts: dict[str, int] = defaultdict(int)
    for name, _, _ in told:
        counts[name] += 1
    return tuple(
        f"where conversations are dealt, {name} is {count} alike ones, as {'stated' if name in streams else 'counted'}"
        for name, count in counts.items()
        if count > 1
    )


def _missing(items: list[Item], by: str) -> tuple[str, ...]:
    if by == BY_ITSELF and items[0].kind == VIRTUAL_PORT and not any(item.parts for item in items):
        return ("of how many conversations each virtual port is made up; taken for one each",)
    return ()


def _of_one(loads: Loads, diagnoses: tuple[Diagnosis, ...], by: str, streams: Mapping[str, int]) -> Dealt:
    """The one conversation that a diagnosis found, which is all that is known where no source tells of items."""
    one = next((d for d in diagnoses if d.name == ONE and d.members), None)
    seats = {member.port: at for at, member in enumerate(loads.members)}
    if one is None or one.members[0] not in seats:
        return Dealt(missing=(f"what shares the member: {WHAT}",))
    at = seats[one.members[0]]
    was = loads.before_bps[at]
    before = 0.0 if np.isnan(was) else min(was, loads.members[at].load_bps)
    weight = loads.members[at].load_bps - before
    count = min(sum(streams.values()), MOST_STREAMS) if by == BY_ITSELF and streams else 1
    rest = tuple(before if seat == at else member.load_bps for seat, member in enumerate(loads.members))
    sure = f"one conversation of {words.rate(weight)} on {one.members[0]} ({one.sure})"
    said = (f"split into {count} alike conversations, as you stated",) if count > 1 else ()
    return Dealt(("the conversation",) * count, (weight / count,) * count, (at,) * count, rest, (sure, *said))


def _of_steps(situation: Situation, loads: Loads, missing: tuple[str, ...]) -> Dealt:
    """Items as the steps of the hot member show them, where it rose several times; rates below a step stay unseen."""
    hot = loads.members[loads.hottest]
    way = DIRECTIONS.index(situation.finding.direction)
    used = situation.windows.utilisation[situation.ports.index(hot.port), :, way]
    heights = [step.height for step in steps(used, LEAST_STEP) if step.height > 0]
    if len(heights) < 2 or min(heights) < DISTINCT * wander(used, LEAST_STEP):
        return Dealt(missing=missing)
    risen = [height * hot.capacity_bps for height in heights]
    rest = tuple(
        max(member.load_bps - sum(risen), 0.0) if member is hot else member.load_bps for member in loads.members
    )
    said = f"{len(risen)} items as large as the steps of {hot.port}: {', '.join(map(words.rate, risen))}"
    names = tuple(f"step {number + 1}" for number in range(len(risen)))
    return Dealt(names, tuple(risen), (loads.hottest,) * len(risen), rest, (said,), missing)
