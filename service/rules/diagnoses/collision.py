"""Collision: several heavy items that by luck share a member; the next draw may part them.

Source
------
A method that deals out items without regard to their size puts two of them on one of n members with chance 1/n
(balls into bins). What is heavy: RFC 7424 section 4.3.2, a large flow has at least a tenth of the link. The other
lines are this project's.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.numerics import placement
from service.numerics.steps import DISTINCT, wander
from service.rules import words
from service.rules.diagnoses import signs as reading
from service.rules.diagnoses.deciding import SPREAD
from service.rules.diagnoses.one_conversation import ASK_ITEMS, MOST_OF_MEMBER
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import CONVERSATION, VIRTUAL_PORT, Diagnosis, Evidence, Item, Sure

NAME = "collision"
HEAVY = 0.10  # of the member's speed
TOLD = 0.90  # of what a member carries; the rest may be preambles and gaps
NAMED = 3  # items that a sentence names
COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def diagnosis(situation: Situation, signs: Signs) -> Diagnosis | None:
    """Several heavy items on the hot member: shown by items that fit elsewhere, else by steps of the counters."""
    if signs.of < 0 or situation.finding.kind == "oscillating":
        return None
    items = reading.items_on(situation, signs.name, _dealt_out(situation))
    return _by_items(situation, signs, items) if items else _by_steps(situation, signs)


def _dealt_out(situation: Situation) -> tuple[str, str]:
    """The kinds of items, that which the method deals out first."""
    return (CONVERSATION, VIRTUAL_PORT) if situation.team.method in SPREAD else (VIRTUAL_PORT, CONVERSATION)


def _by_items(situation: Situation, signs: Signs, items: tuple[Item, ...]) -> Diagnosis | None:
    speed, whole = reading.line_speed(situation, signs.of), sum(item.bps for item in items)
    heavy = [item for item in items if item.bps >= HEAVY * speed and item.name]
    if not speed or not heavy or len(items) < 2 or heavy[0].bps >= MOST_OF_MEMBER * whole:
        return None
    reachable = _reachable(situation, signs, items[0].kind)
    if not reachable:
        return None
    named = words.listed(_with_rates(heavy[:NAMED]))
    speaks_for = (named, f"placed best, the busiest member would be at {reachable}")
    lesser = sum(max(1, item.parts) for item in items if item not in heavy)
    text = _shared(heavy, named, lesser, signs.name)
    return Diagnosis(NAME, Sure.SHOWN, text, (signs.name,), Evidence(speaks_for))


def _shared(heavy: Sequence[Item], named: str, lesser: int, member: str) -> str:
    """Who shares the member, as in "two heavy virtual ports share member m1: a 430 and b 390 Mbit/s"."""
    what = _nouns(heavy)
    if len(heavy) == 1:
        others = f"{lesser} lesser one{'s' if lesser > 1 else ''}"
        return f"one heavy {what}, {named}, shares member {member} with {others}"
    more = f" and {len(heavy) - NAMED} more" if len(heavy) > NAMED else ""
    return f"{_count(len(heavy))} heavy {what}s share member {member}: {named}{more}"


def _nouns(items: Sequence[Item]) -> str:
    kinds = {item.kind for item in items}
    if kinds == {VIRTUAL_PORT}:
        return "virtual port"
    return "conversation" if kinds == {CONVERSATION} else "item"


def _with_rates(items: Sequence[Item]) -> list[str]:
    """Names with rates; a unit that is the same for all is said once, with the last."""
    rates = [words.rate(item.bps).split(" ", 1) for item in items]
    once = len({unit for _, unit in rates}) == 1
    told = [
        f"{item.name} {figure}{'' if once else f' {unit}'}" for item, (figure, unit) in zip(items, rates, strict=True)
    ]
    return [*told[:-1], f"{told[-1]} {rates[-1][1]}"] if once else told


def _count(number: int) -> str:
    return COUNTS[number] if number < len(COUNTS) else str(number)


def _reachable(situation: Situation, signs: Signs, kind: str) -> str:
    """The busiest member's utilisation where the known items of a kind are placed best on members that can take load.

    Empty where that is above the line, or unknown.
    """
    able = [at for at, port in enumerate(situation.ports) if port not in signs.unfit and _takes_load(situation, port)]
    capacity = [reading.line_speed(situation, at) for at in able]
    names = {situation.ports[at] for at in able}
    weights = [item.bps for item in situation.items if item.port in names and item.kind == kind]
    if len(able) < 2 or not weights or not all(capacity):
        return ""
    line, asked = situation.rule.hot_above, (weights, capacity, [_untold(situation, signs, at, kind) for at in able])
    floor, known = placement.between(*asked)
    if floor > line:
        return ""
    # Of many items no search is needed that takes a quarter of a second: heaviest first is as good, or nearly.
    if len(weights) > placement.FEW_ITEMS and known <= line:
        return _at_most(floor, known)
    busiest = placement.best(*asked).busiest
    return "" if busiest > line else f"{100 * busiest:.1f} %"


def _untold(situation: Situation, signs: Signs, at: int, kind: str) -> float:
    """What a member carries, in bit/s, of which no item tells: it stays where it is, as far as anybody knows."""
    told = sum(item.bps for item in situation.items if item.port == situation.ports[at] and item.kind == kind)
    whole = reading.mean(signs.bps[at, signs.since_onset()])
    return whole - told if told < TOLD * whole else 0.0


def _at_most(floor: float, known: float) -> str:
    lowest, told = f"{100 * floor:.1f} %", f"{100 * known:.1f} %"
    return told if lowest == told else f"{told} or less"


def _takes_load(situation: Situation, port: str) -> bool:
    said = [member.why_not for member in situation.finding.members if member.port == port]
    return not any(said)


def _by_steps(situation: Situation, signs: Signs) -> Diagnosis | None:
    """Steps that came one after the other, each below the line, while the team as a whole has room."""
    rule, finding = situation.rule, situation.finding
    up = [step for step in signs.levels[signs.of] if step.height > 0]
    if finding.even_split > rule.clear_below or any(step.height > rule.hot_above for step in up):
        return None
    parts = len(up) + (bool(up) and up[0].before >= reading.LEAST_STEP)
    if parts < 2:
        return None
    heights = words.listed(f"{100 * step.height:.0f}" for step in up)
    speaks_for = [
        f"{signs.name} rose by {heights} points at different times"
        if len(up) > 1
        else f"{signs.name} carried {words.percent(up[0].before)} and rose by {heights} points"
    ]
    speaks_for.append(f"none of it alone reaches {words.line(rule.hot_above)}, and the team as a whole has room")
    against = _against(signs, min(step.height for step in up))
    sure = Sure.PROBABLE if len(up) > 1 and not against else Sure.POSSIBLE
    evidence = Evidence(tuple(speaks_for), against, (ASK_ITEMS,))
    return Diagnosis(NAME, sure, _text(parts, signs.name), (signs.name,), evidence)


def _against(signs: Signs, smallest: float) -> tuple[str, ...]:
    """What a member shows that wanders so much between its steps that it may have got there without any."""
    wanders = wander(signs.used[signs.of], reading.LEAST_STEP)
    if smallest >= DISTINCT * wanders:
        return ()
    return (f"{signs.name} wanders by {100 * wanders:.0f} points between, so that a step may be none",)


def _text(items: int, member: str) -> str:
    return f"{_count(items)} heavy items share {member} by luck of the draw"
