"""Collision: several heavy items that by luck share a member; the next draw may part them.

Source
------
A method that deals out items without regard to their size puts two of them on one of n members with chance 1/n
(balls into bins). The lines are this project's.
"""

from __future__ import annotations

from service.numerics import placement
from service.rules import words
from service.rules.diagnoses import signs as reading
from service.rules.diagnoses.one_conversation import ASK_ITEMS, MOST_OF_MEMBER
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import Diagnosis, Evidence, Item, Sure

NAME = "collision"
HEAVY = 0.05  # of the member's speed; what is less does not make it hot
NAMED = 4  # items that a sentence names


def diagnosis(situation: Situation, signs: Signs) -> Diagnosis | None:
    """Several heavy items on the hot member: shown by items that fit elsewhere, else by steps of the counters."""
    if signs.of < 0 or situation.finding.kind == "oscillating":
        return None
    items = reading.items_on(situation, signs.name)
    return _by_items(situation, signs, items) if items else _by_steps(situation, signs)


def _by_items(situation: Situation, signs: Signs, items: tuple[Item, ...]) -> Diagnosis | None:
    speed, whole = reading.line_speed(situation, signs.of), sum(item.bps for item in items)
    heavy = [item for item in items if item.bps >= HEAVY * speed and item.name]
    if not speed or len(heavy) < 2 or heavy[0].bps >= MOST_OF_MEMBER * whole:
        return None
    reachable = _reachable(situation, signs.unfit)
    line = situation.rule.hot_above
    if reachable is None or reachable > line:
        return None
    told = ", ".join(f"{item.name} {words.rate(item.bps)}" for item in heavy[:NAMED])
    speaks_for = (f"on {signs.name}: {told}", f"placed best, the busiest member would be at {100 * reachable:.1f} %")
    return Diagnosis(NAME, Sure.SHOWN, _text(len(heavy), signs.name), (signs.name,), Evidence(speaks_for))


def _reachable(situation: Situation, unfit: frozenset[str]) -> float | None:
    """The busiest member's utilisation where the known items are placed best on members that can take load."""
    able = [at for at, port in enumerate(situation.ports) if port not in unfit and _takes_load(situation, port)]
    capacity = [reading.line_speed(situation, at) for at in able]
    names = {situation.ports[at] for at in able}
    weights = [item.bps for item in situation.items if item.port in names]
    if len(able) < 2 or not weights or not all(capacity):
        return None
    return placement.best(weights, capacity, [0.0] * len(able)).busiest


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
    mixed = {one.position for one in situation.neighbours} | {signs.of}
    missing = [ASK_ITEMS]
    if situation.neighbours and len(mixed) > 1:
        speaks_for.append("other teams alike are hot on other positions")
    sure = Sure.PROBABLE if len(up) > 1 else Sure.POSSIBLE
    return Diagnosis(
        NAME, sure, _text(parts, signs.name), (signs.name,), Evidence(tuple(speaks_for), (), tuple(missing))
    )


def _text(items: int, member: str) -> str:
    return f"{items} heavy items share {member} by luck of the draw"
