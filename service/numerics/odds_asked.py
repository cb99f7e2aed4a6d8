"""A whole question about odds and its answer: chances, the best there is, and what placement by load would come to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.errors import WrongQuestion
from service.numerics.odds import chances, effective, typical_share
from service.numerics.odds_loads import DEMANDS, checked, in_whole, is_impossible, lowest_busiest, shares_of
from service.numerics.placement import OBJECTIVE, Outcome, Placement, best, moved_by_load
from service.terms import Chance, Ints

ASSUMPTIONS = (
    "each item lands on one of the links, whichever, with the same chance, and independently of the others",
    "one change is one draw, which then stays as long as the items live: a chance is of that draw, not a share of time",
    "items stay whole, and the background stays where it is",
)
CAUTIONS = (
    "advice only: an authorised person decides, and local change control comes first",
    "distribution is not balance: with few heavy items an uneven draw is usual",
    "changing distribution re-deals conversations and can interrupt traffic: one host first, in an agreed window,"
    " with a second way in and a written back-out",
    "both ends must agree on the method, and no member may be broken",
    "keep headroom for the loss of a member; rates are means and hide bursts",
)


@dataclass(frozen=True)
class Question:
    """Items in bit/s on links; `current` is where each is, by position, where that is known."""

    items: tuple[float, ...]
    capacity: tuple[float, ...]
    background: tuple[float, ...]
    line: float = 0.75
    demands: tuple[float, ...] = DEMANDS
    seed: int = 1
    current: tuple[int, ...] | None = None
    most_moves: int | None = None


@dataclass(frozen=True)
class Standing:
    """How the links stand now, and whether none is above the line."""

    utilisation: tuple[float, ...]
    fits: bool


@dataclass(frozen=True)
class Answer:
    """What is to be said of a question; `why` tells why no method can do it, empty where one may.

    `typical_share` is of two links of one speed without background, None for others; `now` and `load_aware` are None
    where nobody said where the items are.
    """

    chances: tuple[Chance, ...]
    even_split: float
    lowest_busiest: float
    effective_items: float
    typical_share: float | None
    why: str
    best: Placement
    objective: str
    now: Standing | None
    load_aware: Outcome | None
    assumptions: tuple[str, ...] = ASSUMPTIONS
    cautions: tuple[str, ...] = CAUTIONS


def answer(question: Question) -> Answer:
    """All there is to say; WrongQuestion where a figure cannot be used."""
    rates = (question.items, question.capacity, question.background)
    weights, capacity, background = checked(*rates)
    if not question.items:
        raise WrongQuestion("items", "name at least one item")
    placed = best(*rates, current=question.current, most_moves=question.most_moves)
    return Answer(
        chances=chances(*rates, question.line, demands=question.demands, seed=question.seed),
        even_split=float((weights.sum() + background.sum()) / capacity.sum()),
        lowest_busiest=float(lowest_busiest(weights, capacity, background)),
        effective_items=effective(question.items),
        typical_share=_typical(question),
        why=_why(question),
        best=placed,
        objective=OBJECTIVE,
        now=_now(question, weights, (capacity, background)),
        load_aware=_by_load(question),
    )


def _typical(question: Question) -> float | None:
    alike = len(question.capacity) == 2 and len(set(question.capacity)) == 1 and not any(question.background)
    return typical_share(question.items) if alike and any(question.items) else None


def _why(question: Question) -> str:
    """Why the chance is nothing whatever the draw."""
    whole = in_whole(question.items, question.capacity, question.background, question.line)
    if not is_impossible(whole):
        return ""
    if (whole.limits < 0).any():
        return "what stays where it is fills a link above the line already"
    if whole.weights.max(initial=0) > whole.limits.max(initial=0):
        return "one item alone is above the line on every link: no method that keeps items whole helps"
    return "all items together are above the line on all links together: no method helps, capacity does"


def _now(question: Question, weights: Ints, links: tuple[Ints, Ints]) -> Standing | None:
    if question.current is None:
        return None
    whole = in_whole(question.items, question.capacity, question.background, question.line)
    at = np.asarray(question.current, dtype=np.int64)
    added = np.bincount(at, weights=whole.weights.astype(np.float64), minlength=len(whole.limits))
    utilisation = tuple(map(float, shares_of(weights, at, *links)))
    return Standing(utilisation, bool((added <= whole.limits).all()))


def _by_load(question: Question) -> Outcome | None:
    if question.current is None:
        return None
    return moved_by_load(question.items, question.current, question.capacity, question.background, question.line)
