"""Which streams of several rates make up the steps of members that came at one moment."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations, product
from typing import NamedTuple

NEAR = 0.25  # of the smallest stream: how far from the streams a step may be
CLEARLY = 0.02  # of the smallest stream: so much better than any other way must the best one fit
MOST_WAYS = 20_000

Counts = tuple[int, ...]


class _Way(NamedTuple):
    off_bps: float
    counts: tuple[Counts, ...]


def dealt(heights_bps: Sequence[float], streams: Mapping[float, int]) -> tuple[Counts, ...] | None:
    """How many streams of each rate each member got, by rate from the lowest, then by member.

    None where no way of dealing out all streams fits every height, where two ways fit as well, or where there are
    more than 20,000 ways.

    Examples
    --------
    >>> dealt((310.0, 203.0), {100.0: 3, 210.0: 1})
    ((1, 2), (1, 0))
    >>> dealt((100.0, 0.0), {100.0: 2}) is None
    True
    """
    rates, members = sorted(streams), len(heights_bps)
    if math.prod(math.comb(streams[rate] + members - 1, members - 1) for rate in rates) > MOST_WAYS:
        return None
    ways = product(*(_compositions(streams[rate], members) for rate in rates))
    best, second = _two_best(_Way(_off(heights_bps, rates, counts), counts) for counts in ways)
    near, clearly = NEAR * rates[0], CLEARLY * rates[0]
    return best.counts if best.off_bps <= near and second.off_bps >= 2 * best.off_bps + clearly else None


def _two_best(ways: Iterator[_Way]) -> tuple[_Way, _Way]:
    best = second = _Way(math.inf, ())
    for way in ways:
        if way.off_bps < best.off_bps:
            best, second = way, best
        elif way.off_bps < second.off_bps:
            second = way
    return best, second


def _off(heights: Sequence[float], rates: Sequence[float], counts: Sequence[Counts]) -> float:
    return max(
        abs(height - sum(rate * some[member] for rate, some in zip(rates, counts, strict=True)))
        for member, height in enumerate(heights)
    )


def _compositions(count: int, members: int) -> list[Counts]:
    """All ways of giving so many alike streams to the members."""
    last = count + members - 1
    return [
        tuple(after - before - 1 for before, after in zip((-1, *bars), (*bars, last), strict=True))
        for bars in combinations(range(last), members - 1)
    ]
