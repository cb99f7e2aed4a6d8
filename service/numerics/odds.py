"""Odds of one draw: items that each land on one of some links, independently and uniformly.

That is a stated assumption, not a fact of any device. One change is one draw, which then stays for as long as the
items live: a chance is of that draw, never a share of time. Odds of equal items are exact fractions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache

import numpy as np

from service.errors import WrongQuestion
from service.numerics.odds_draws import DRAWS, half_width, success_drawn
from service.numerics.odds_exact import success_exact
from service.numerics.odds_loads import DEMANDS, in_whole
from service.terms import Chance

MOST_EQUAL, MOST_EQUAL_LINKS = 100, 64  # the work of exact fractions grows with the square of the items


def all_apart(k: int, n: int) -> Fraction:
    """The chance that k equal items land on k different ones of n links: n!/((n-k)! n^k), 0 where k > n.

    Source
    ------
    RFC 2938 appendix A: 1 less the chance of a collision.

    Examples
    --------
    >>> all_apart(3, 4), all_apart(4, 4)
    (Fraction(3, 8), Fraction(3, 32))
    """
    _counted(k, n)
    return Fraction(math.perm(n, k), n**k)


def all_together(k: int, n: int) -> Fraction:
    """The chance that k equal items land on one link, whichever: n^(1-k); 1 where there is no item.

    Examples
    --------
    >>> all_together(2, 2), all_together(3, 2)
    (Fraction(1, 2), Fraction(1, 4))
    """
    _counted(k, n)
    return Fraction(n, n**k) if k else Fraction(1)


def at_most(k: int, n: int, m: int) -> Fraction:
    """The chance that no link gets more than m of k equal items: k!/n^k [x^k] (sum of x^i/i! up to m)^n.

    Examples
    --------
    >>> at_most(4, 2, 2), at_most(4, 2, 3)
    (Fraction(3, 8), Fraction(7, 8))
    """
    _counted(k, n)
    return Fraction(_power(k, n, min(m, k))[k], n**k) if m >= 0 else Fraction(int(k == 0))


@lru_cache(maxsize=256)
def most_on_one(k: int, n: int) -> tuple[Fraction, ...]:
    """The chances that the fullest link gets 0, 1, ... k of k equal items, shape (k + 1,); they sum to 1.

    Examples
    --------
    >>> most_on_one(4, 2)[2:]
    (Fraction(3, 8), Fraction(1, 2), Fraction(1, 8))
    """
    upto = [at_most(k, n, m) for m in range(k + 1)]
    return tuple(here - below for here, below in zip(upto, [Fraction(0), *upto[:-1]], strict=True))


def share_at_least(k: int, n: int, share: Fraction) -> Fraction:
    """The chance that the fullest link gets at least this share of k equal items.

    Examples
    --------
    >>> float(share_at_least(10, 2, Fraction(7, 10)))
    0.34375
    """
    least = math.ceil(share * k)
    return sum(most_on_one(k, n)[least:], Fraction(0))


def expected_most(k: int, n: int) -> Fraction:
    """How many of k equal items the fullest link gets in the mean of many draws.

    Examples
    --------
    >>> expected_most(4, 4)
    Fraction(17, 8)
    """
    return sum((m * chance for m, chance in enumerate(most_on_one(k, n))), Fraction(0))


def expected_share(k: int, n: int) -> Fraction:
    """The mean share of the fullest link; there must be an item.

    Examples
    --------
    >>> expected_share(3, 2)
    Fraction(3, 4)
    """
    if k < 1:
        raise WrongQuestion("items", "a share of nothing is unknown; name at least one item")
    return expected_most(k, n) / k


def effective(weights: Sequence[float]) -> float:
    """How many equal items these would be as uneven as: 1 over the sum of squared shares; 0 where they carry nothing.

    Examples
    --------
    >>> effective([1, 1, 1, 1]), round(effective([430, 390, 60, 40]), 2)
    (4.0, 2.47)
    """
    shares = np.asarray(weights, dtype=np.float64)
    whole = float(shares.sum())
    return float(1 / ((shares / whole) ** 2).sum()) if whole else 0.0


def typical_share(weights: Sequence[float]) -> float:
    """The typical busiest share on two links, (1 + sqrt(H))/2: sqrt(H) is the root-mean-square gap of the shares.

    Examples
    --------
    >>> round(typical_share([1] * 25), 2), round(typical_share([1] * 100), 3)
    (0.6, 0.55)
    """
    return (1 + math.sqrt(1 / effective(weights))) / 2


def chances(
    weights_bps: Sequence[float],
    capacity_bps: Sequence[float],
    background_bps: Sequence[float],
    line: float,
    *,
    demands: Sequence[float] = DEMANDS,
    seed: int = 1,
) -> tuple[Chance, ...]:
    """The chances that no link exceeds the line after one draw, one for each demand that the items may have.

    Parameters
    ----------
    weights_bps : shape (k,)
        Rates of the items, each multiplied with the demand; rates read under a ceiling understate it.
    capacity_bps, background_bps : shape (n,)
        Speeds of the links, and what they carry besides, which stays where it is.
    line : float
        The share of a link's speed that must not be exceeded; at the line is not above it.

    Returns
    -------
    tuple of Chance
        Exact (error 0, no draws) where the placements can be counted, else from seeded draws with half of the
        95 % interval. What cannot be is 0 exactly, without drawing.

    Raises
    ------
    WrongQuestion
        Where a rate, speed or line is no such thing.

    Examples
    --------
    >>> [one.success for one in chances([400e6, 300e6, 200e6, 100e6], [1e9, 1e9], [0, 0], 0.75)]
    [0.625, 0.125, 0.0]
    """
    links = (tuple(capacity_bps), tuple(background_bps))
    return tuple(_chance(tuple(weights_bps), links, line, (demand, seed)) for demand in demands)


def _chance(
    weights: Sequence[float], links: tuple[Sequence[float], Sequence[float]], line: float, how: tuple[float, int]
) -> Chance:
    demand, seed = how
    whole = in_whole(weights, *links, line, demand=demand)
    exact = success_exact(whole)
    if exact is not None:
        return Chance(exact, demand)
    success = success_drawn(whole, DRAWS, seed)
    return Chance(success, demand, half_width(success, DRAWS), DRAWS, seed)


def _power(k: int, n: int, m: int) -> list[int]:
    """In how many ways 0, 1, ... k told-apart items go on n links with at most m each, by repeated squaring."""
    base = [1] * (m + 1) + [0] * (k - m)
    ways = [1] + [0] * k
    while n:
        if n & 1:
            ways = _joined(ways, base)
        n >>= 1
        base = _joined(base, base) if n else base
    return ways


def _joined(here: list[int], there: list[int]) -> list[int]:
    """The ways of two groups of links together."""
    return [
        sum(math.comb(j, i) * here[i] * there[j - i] for i in range(j + 1) if here[i] and there[j - i])
        for j in range(len(here))
    ]


def _counted(k: int, n: int) -> None:
    if not 0 <= k <= MOST_EQUAL:
        raise WrongQuestion("items", f"0 to {MOST_EQUAL} equal items can be reckoned with")
    if not 1 <= n <= MOST_EQUAL_LINKS:
        raise WrongQuestion("links", f"1 to {MOST_EQUAL_LINKS} links can be reckoned with")
