"""The share of all placements that keep every link within its limit, counted and not drawn."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from fractions import Fraction

import numpy as np

from service.numerics.odds_loads import Loads, is_impossible
from service.terms import Floats, Ints

MOST_PLACEMENTS = 1 << 20  # looked at one by one
MOST_IN_HALVES = 36  # items on two links: twice 2^18 sums, sorted
MOST_DEALS = 4096  # ways to deal out items of one rate


def success_exact(loads: Loads) -> float | None:
    """The chance that a draw keeps every limit, None where there are too many placements to count.

    Items of one rate are dealt out together, whatever their number; otherwise two links are counted from the sums of
    two halves of the items, and more links placement by placement.
    """
    if is_impossible(loads):
        return 0.0
    if len(loads.limits) == 1:
        return 1.0
    if len(np.unique(loads.weights)) <= 1:
        return _of_equal(loads)
    if len(loads.limits) == 2 and len(loads.weights) <= MOST_IN_HALVES:
        return _in_halves(loads)
    return _one_by_one(loads)


def _of_equal(loads: Loads) -> float:
    """k!/n^k [x^k] of the product over links of (sum of x^i/i! up to what the link may get)."""
    k, n = len(loads.weights), len(loads.limits)
    weight = int(loads.weights.max(initial=0))
    if weight == 0:
        return 1.0
    ways = [1] + [0] * k
    for limit in loads.limits:
        most = min(k, int(limit) // weight)
        ways = [sum(math.comb(j, i) * ways[j - i] for i in range(min(j, most) + 1)) for j in range(k + 1)]
    return float(Fraction(ways[k], n**k))


def _in_halves(loads: Loads) -> float:
    """Two links: of all subsets, those that fit the first link and leave what fits the second."""
    half = len(loads.weights) // 2
    some, others = _sums(loads.weights[:half]), np.sort(_sums(loads.weights[half:]))
    most, least = int(loads.limits[0]), int(loads.weights.sum()) - int(loads.limits[1])
    upto = np.searchsorted(others, most - some, side="right")
    below = np.searchsorted(others, least - some, side="left")
    return float(np.maximum(upto - below, 0).sum() / 2.0 ** len(loads.weights))


def _sums(weights: Ints) -> Ints:
    """The sums of all subsets, shape (2^k,)."""
    sums = np.zeros(1, dtype=np.int64)
    for weight in weights:
        sums = np.concatenate([sums, sums + weight])
    return sums


def _one_by_one(loads: Loads) -> float | None:
    """Deal out rate after rate, heaviest first, leaving out what exceeds a limit as soon as it does."""
    n = len(loads.limits)
    rates, counts = np.unique(loads.weights, return_counts=True)
    room, chance = loads.limits[np.newaxis], np.ones(1)
    steps = list(zip(rates[::-1].tolist(), counts[::-1].tolist(), strict=True))
    for rate, count in steps[:-1]:
        if not _few(len(room), count, n):
            return None
        room, chance = _dealt(room, chance, rate, count)
    rate, count = steps[-1]
    return _fitting(room, chance, rate, count) if _few(len(room), count, n) else None


def _few(states: int, count: int, n: int) -> bool:
    deals = math.comb(count + n - 1, n - 1)
    return deals <= MOST_DEALS and states * deals <= MOST_PLACEMENTS


def _dealt(room: Ints, chance: Floats, rate: int, count: int) -> tuple[Ints, Floats]:
    rooms, chances = [], []
    for deal, odds in _deals(count, room.shape[1]):
        left = room - rate * deal
        fits = (left >= 0).all(axis=1)
        rooms.append(left[fits])
        chances.append(chance[fits] * odds)
    return np.concatenate(rooms), np.concatenate(chances)


def _fitting(room: Ints, chance: Floats, rate: int, count: int) -> float:
    return math.fsum(
        float(chance[(room >= rate * deal).all(axis=1)].sum()) * odds for deal, odds in _deals(count, room.shape[1])
    )


def _deals(count: int, n: int) -> Iterator[tuple[Ints, float]]:
    """The ways to deal out so many equal items, each with its chance (multinomial)."""
    for bars in itertools.combinations(range(count + n - 1), n - 1):
        edges = (-1, *bars, count + n - 1)
        deal = [after - before - 1 for before, after in itertools.pairwise(edges)]
        ways = math.factorial(count)
        for one in deal:
            ways //= math.factorial(one)
        yield np.array(deal, dtype=np.int64), float(Fraction(ways, n**count))
