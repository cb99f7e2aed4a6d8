"""Seeded draws, for what is too much to count: the same seed gives the same answer on every machine."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from service.errors import WrongQuestion
from service.numerics.odds_loads import Loads, checked, in_whole
from service.terms import Codes, Floats, Ints

DRAWS, MOST_DRAWS = 20_000, 200_000
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)
_CELLS = 1 << 21  # drawn at a time
_Z = 1.96  # of a 95 % interval, as the normal distribution has it


@dataclass(frozen=True)
class Drawn:
    """What so many draws came to: the share that kept the line, the busiest link's share, and the best draw."""

    success: float
    error: float
    draws: int
    seed: int
    mean_share: float
    quantiles: tuple[float, ...]  # of the busiest link's share of all load, at QUANTILES
    best: tuple[int, ...]  # positions of the items in the draw with the lowest busiest utilisation
    busiest: float  # utilisation of the busiest link in that draw


def draw(
    weights_bps: Sequence[float],
    capacity_bps: Sequence[float],
    background_bps: Sequence[float],
    line: float,
    *,
    draws: int = DRAWS,
    seed: int = 1,
) -> Drawn:
    """So many placements drawn at random, and what came of them; there must be some load."""
    weights, capacity, background = checked(weights_bps, capacity_bps, background_bps)
    whole = in_whole(weights_bps, capacity_bps, background_bps, line)
    if not weights.sum() + background.sum():
        raise WrongQuestion("items", "nothing is carried at all, so there is nothing to share")
    kept, shares, best = 0, np.empty(0), (np.inf, np.empty(0, dtype=np.int32))
    for positions, added in _drawn(whole, draws, seed):
        kept += int((added <= whole.limits).all(axis=1).sum())
        loads = added // whole.scale + background
        shares = np.append(shares, loads.max(axis=1) / loads.sum(axis=1))
        best = min(best, _lowest(loads / capacity, positions), key=lambda one: one[0])
    success = kept / draws
    return Drawn(
        success=success,
        error=half_width(success, draws),
        draws=draws,
        seed=seed,
        mean_share=float(shares.mean()),
        quantiles=tuple(np.quantile(shares, QUANTILES).tolist()),
        best=tuple(best[1].tolist()),
        busiest=float(best[0]),
    )


def success_drawn(loads: Loads, draws: int, seed: int) -> float:
    """The share of so many draws that keeps every limit."""
    return sum(int((added <= loads.limits).all(axis=1).sum()) for _, added in _drawn(loads, draws, seed)) / draws


def busiest_shares(k: int, n: int, draws: int, seed: int) -> Floats:
    """The busiest link's share of k equal items in each draw, shape (draws,)."""
    even = Loads(np.ones(k, dtype=np.int64), np.full(n, k, dtype=np.int64), 1)
    return np.concatenate([added.max(axis=1) / k for _, added in _drawn(even, draws, seed)])


def half_width(success: float, draws: int) -> float:
    """Half of the 95 % interval of a share that was drawn; never nothing, for a draw proves nothing impossible.

    Where all draws agree the normal distribution knows no width; then three draws in all is what 95 % allows
    (the "rule of three", textbook).
    """
    return max(_Z * float(np.sqrt(success * (1 - success) / draws)), 3 / draws if success in (0, 1) else 0)


def _drawn(loads: Loads, draws: int, seed: int) -> Iterator[tuple[Codes, Ints]]:
    """Positions (some, k) and what these add to the links (some, n)."""
    if not 1 <= draws <= MOST_DRAWS:
        raise WrongQuestion("draws", f"1 to {MOST_DRAWS:,} can be drawn")
    k, n = len(loads.weights), len(loads.limits)
    dice = np.random.default_rng(seed)
    at_once = max(1, _CELLS // max(k, 1))
    for first in range(0, draws, at_once):
        positions = dice.integers(0, n, (min(at_once, draws - first), k), dtype=np.int32)
        added = np.stack([np.where(positions == link, loads.weights, 0).sum(axis=1) for link in range(n)], axis=1)
        yield positions, added


def _lowest(utilisation: Floats, positions: Codes) -> tuple[float, Codes]:
    highest = utilisation.max(axis=1)
    at = int(highest.argmin())
    return float(highest[at]), positions[at]
