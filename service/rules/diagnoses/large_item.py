"""One item larger than the line: wherever it is put, that member is hot, and placement by load chases it.

Source
------
No placement of whole items has its busiest member below its largest item (list scheduling, Graham 1969).
"""

from __future__ import annotations

from service.rules import words
from service.rules.diagnoses import signs as reading
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import VIRTUAL_PORT, Diagnosis, Evidence, Sure

NAME = "large-item"


def diagnosis(situation: Situation, signs: Signs) -> Diagnosis | None:
    """A virtual port that alone exceeds the line on every member it could be on."""
    line = situation.rule.hot_above
    fastest = max((reading.line_speed(situation, at) for at in range(len(situation.ports))), default=0)
    ports = [item for item in situation.items if item.kind == VIRTUAL_PORT and item.name]
    if fastest and ports:
        largest = max(ports, key=lambda item: item.bps)
        if largest.bps > line * fastest:
            told = f"largest virtual port {largest.name} {words.percent(largest.bps / fastest)} > {_threshold(line)}"
            return Diagnosis(NAME, Sure.SHOWN, told, _members(situation, largest.port), Evidence((told,)))
    return _swinging(situation, signs) if situation.finding.kind == "oscillating" and not ports else None


def _swinging(situation: Situation, signs: Signs) -> Diagnosis | None:
    """Without items: what goes to and fro as a whole is one item, as large as the step."""
    moved = [step.height for levels in signs.levels for step in levels if step.height > situation.rule.hot_above]
    if len(moved) < 2:
        return None
    told = f"what moves to and fro is some {words.percent(sum(moved) / len(moved))} of a member"
    text = f"{told}, above the {_threshold(situation.rule.hot_above)}, so every member it is put on gets hot"
    asked = ("virtual-port counters: which one it is",)
    return Diagnosis(NAME, Sure.PROBABLE, text, situation.ports, Evidence((told,), (), asked))


def _threshold(line: float) -> str:
    return f"threshold {words.line(line)}"


def _members(situation: Situation, port: str) -> tuple[str, ...]:
    return (port,) if port in situation.ports else ()
