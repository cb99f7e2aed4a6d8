"""Items, links and the line as whole numbers, so that what lies at the line is never taken for above it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from service.errors import WrongQuestion
from service.terms import Ints

DEMANDS = (1.0, 1.5, 2.0)  # what was read, and what it may grow to once nothing squeezes it
# Sums of so many such rates, times the largest demand in its smallest parts, stay within 63 bits.
MOST_ITEMS, MOST_LINKS, MOST_BPS, MOST_DEMAND = 512, 16, 10**13, 10
_PARTS = 100  # demands are told in hundredths
_LINE_PARTS = 10**6


@dataclass(frozen=True)
class Loads:
    """Items of `weights` on links that may take at most `limits` of them, both (k,) and (n,), in 1/`scale` bit/s.

    A limit below zero means that what the link carries besides is above the line already.
    """

    weights: Ints
    limits: Ints
    scale: int


def in_whole(
    weights_bps: Sequence[float],
    capacity_bps: Sequence[float],
    background_bps: Sequence[float],
    line: float,
    *,
    demand: float = 1.0,
) -> Loads:
    """The question in whole numbers; WrongQuestion where a figure cannot be used."""
    weights, capacity, background = checked(weights_bps, capacity_bps, background_bps)
    if not 0 < line <= 1:
        raise WrongQuestion("line", "is a share of a link's speed, above 0 and at most 1, as 0.75")
    if not 0 < demand <= MOST_DEMAND:
        raise WrongQuestion("demand", f"multiplies the rates of items: above 0 and at most {MOST_DEMAND}")
    times = Fraction(demand).limit_denominator(_PARTS)
    share = Fraction(line).limit_denominator(_LINE_PARTS)
    room = [
        (share * int(speed) - int(other)) * times.denominator for speed, other in zip(capacity, background, strict=True)
    ]
    return Loads(weights * times.numerator, np.array([one.__floor__() for one in room], np.int64), times.denominator)


def checked(
    weights_bps: Sequence[float], capacity_bps: Sequence[float], background_bps: Sequence[float]
) -> tuple[Ints, Ints, Ints]:
    """Rates of items, speeds of links and what these carry besides, in whole bit/s."""
    if len(weights_bps) > MOST_ITEMS:
        raise WrongQuestion("items", f"at most {MOST_ITEMS} can be reckoned with; add the lightest to the background")
    if not 1 <= len(capacity_bps) <= MOST_LINKS:
        raise WrongQuestion("links", f"1 to {MOST_LINKS} links can be reckoned with")
    if len(background_bps) != len(capacity_bps):
        raise WrongQuestion("background", "give one rate for each link, 0 where it carries nothing besides")
    found = _whole("items", weights_bps), _whole("links", capacity_bps), _whole("background", background_bps)
    if (found[1] < 1).any():
        raise WrongQuestion("links", "the speed of a link is at least 1 bit/s")
    return found


def _whole(what: str, rates: Sequence[float]) -> Ints:
    given = np.asarray(rates, dtype=np.float64)
    if not ((given >= 0) & (given <= MOST_BPS)).all():
        raise WrongQuestion(what, f"a rate is 0 to {MOST_BPS:,} bit/s")
    return np.rint(given).astype(np.int64)


def is_impossible(loads: Loads) -> bool:
    """Whether no placement can do: background above the line, more items than room, or one too large for any link.

    It is the lower bound of every method that keeps items whole: the busiest link shows at least the even split,
    and at least what the largest item needs on the link that suits it best.
    """
    largest = int(loads.weights.max(initial=0))
    return bool(
        (loads.limits < 0).any()
        or largest > int(loads.limits.max(initial=0))
        or int(loads.weights.sum()) > sum(map(int, loads.limits))
    )


def lowest_busiest(weights: Ints, capacity: Ints, background: Ints) -> Fraction:
    """The utilisation that no placement of whole items can get below: even split, largest item, fullest background."""
    even = Fraction(int(weights.sum()) + int(background.sum()), int(capacity.sum()))
    before = [Fraction(int(other), int(speed)) for other, speed in zip(background, capacity, strict=True)]
    largest = int(weights.max(initial=0))
    alone = min(Fraction(largest + int(other), int(speed)) for other, speed in zip(background, capacity, strict=True))
    return max(even, alone, *before)


def positions_of(current: Sequence[int], k: int, n: int) -> Ints:
    """Where each of k items is, as positions of n links; WrongQuestion where one is nowhere."""
    positions = np.asarray(current, dtype=np.int64)
    if positions.shape != (k,) or ((positions < 0) | (positions >= n)).any():
        raise WrongQuestion("current", f"name for each of the {k} items the link it is on, counted 0 to {n - 1}")
    return positions


def shares_of(weights: Ints, positions: Ints, capacity: Ints, background: Ints) -> list[Fraction]:
    """The utilisation of each link with the items where they are, (n,), exactly."""
    loads = [int(other) for other in background]
    for weight, at in zip(weights.tolist(), positions.tolist(), strict=True):
        loads[at] += weight
    return [Fraction(load, int(speed)) for load, speed in zip(loads, capacity, strict=True)]
