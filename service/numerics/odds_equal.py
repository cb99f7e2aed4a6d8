"""What is worth saying of equal items: the exact odds, and draws of them as an exhibit beside these."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from service.numerics.odds import all_apart, all_together, at_most, expected_share, most_on_one, share_at_least
from service.numerics.odds_draws import busiest_shares, half_width
from service.terms import Ints

SHARES = (Fraction(6, 10), Fraction(7, 10))


@dataclass(frozen=True)
class EqualItems:
    """Exact odds of `items` equal items on `links`; `most` is the chance of each largest count from 0 to `items`.

    `least_on_busiest` is the chance that the fullest link gets as few as it can: items over links, rounded up.
    """

    items: int
    links: int
    all_apart: float
    all_together: float
    least_on_busiest: float
    mean_busiest_share: float
    busiest_60: float
    busiest_70: float
    most: tuple[float, ...]


@dataclass(frozen=True)
class Exhibited:
    """Shares of the busiest link in draws, beside the exact chances: one row a largest count and one a share."""

    items: int
    links: int
    draws: int
    seed: int
    counts: tuple[tuple[int, float, float], ...]  # largest count, drawn, exact; those that can be
    shares: tuple[tuple[float, float, float, float], ...]  # share, drawn at least, half of the 95 % interval, exact


def equal_items(k: int, n: int) -> EqualItems:
    """The exact odds; WrongQuestion beyond what can be reckoned with."""
    sixty, seventy = (float(share_at_least(k, n, share)) for share in SHARES)
    return EqualItems(
        items=k,
        links=n,
        all_apart=float(all_apart(k, n)),
        all_together=float(all_together(k, n)),
        least_on_busiest=float(at_most(k, n, -(-k // n))),
        mean_busiest_share=float(expected_share(k, n)),
        busiest_60=sixty,
        busiest_70=seventy,
        most=tuple(map(float, most_on_one(k, n))),
    )


def exhibited(k: int, n: int, *, draws: int, seed: int) -> Exhibited:
    """So many draws of k equal items on n links, and what is exact beside them."""
    exact = most_on_one(k, n)
    # Shares are k-ths; as whole numbers they compare exactly.
    largest = (busiest_shares(k, n, draws, seed) * k).round().astype(np.int64)
    counts = tuple((m, float((largest == m).mean()), float(chance)) for m, chance in enumerate(exact) if chance)
    return Exhibited(k, n, draws, seed, counts, tuple(_row(share, (k, n), largest, draws) for share in SHARES))


def _row(share: Fraction, of: tuple[int, int], largest: Ints, draws: int) -> tuple[float, float, float, float]:
    drawn = float((largest >= math.ceil(share * of[0])).mean())
    return float(share), drawn, half_width(drawn, draws), float(share_at_least(*of, share))
