"""How good predictions were."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from service.terms import Outcome, Verdict

NEEDED = 20  # with fewer, how often what was foretold came true says nothing
FIFTHS = 5


class Foretold(NamedTuple):
    """The chance of success that was foretold, and whether it came about."""

    chance: float
    came_true: bool


class Fifth(NamedTuple):
    """Predictions with a chance in [low, high), the last fifth with 1 included: how many, and how many came true."""

    low: float
    high: float
    predictions: int
    foretold: float  # their mean chance
    came_true: float  # share


@dataclass(frozen=True)
class Score:
    """The Brier score of predictions, from 0 (always right and sure) to 1; None without any.

    `fifths` are those that hold predictions, and none at all where there are too few to judge.
    """

    count: int
    brier: float | None
    fifths: tuple[Fifth, ...]
    text: str


def score(foretold: Sequence[Foretold]) -> Score:
    """The score of predictions whose outcome is known.

    Source
    ------
    Brier, Monthly Weather Review 78 (1950), for two classes: the mean of (chance - outcome)^2 (from memory).
    """
    count = len(foretold)
    if not count:
        return Score(0, None, (), "no prediction has an outcome yet")
    brier = sum((one.chance - one.came_true) ** 2 for one in foretold) / count
    enough = count >= NEEDED
    told = f"Brier score {brier:.3f}, n = {count}"
    return Score(
        count, brier, _fifths(foretold) if enough else (), told if enough else f"{told}: too few to judge (< {NEEDED})"
    )


def came_true(verdict: Verdict, hot_above: float = 0.75) -> bool | None:
    """Whether no member exceeds the hot line after the change, None where nothing can be told yet.

    What was foretold is of mean rates, and so is this: the mean of the busiest member's utilisation.
    """
    if verdict.outcome is Outcome.CANNOT_TELL_YET or verdict.after.busiest is None:
        return None
    return verdict.after.busiest <= hot_above


def _fifths(foretold: Sequence[Foretold]) -> tuple[Fifth, ...]:
    of: list[list[Foretold]] = [[] for _ in range(FIFTHS)]
    for one in foretold:
        of[min(int(one.chance * FIFTHS), FIFTHS - 1)].append(one)
    return tuple(_fifth(number, some) for number, some in enumerate(of) if some)


def _fifth(number: int, some: Sequence[Foretold]) -> Fifth:
    count = len(some)
    mean = sum(one.chance for one in some) / count
    return Fifth(number / FIFTHS, (number + 1) / FIFTHS, count, mean, sum(one.came_true for one in some) / count)
