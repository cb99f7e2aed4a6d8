"""How far a difference of means could be off, found by drawing the series anew in blocks."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.terms import Floats

RESAMPLES = 2000
SEED = 1


class Interval(NamedTuple):
    """A lower and an upper bound."""

    low: float
    high: float


def means_of_blocks(values: Floats, weights: Floats, block: int, rng: np.random.Generator, draws: int) -> Floats:
    """Weighted means of series put together of blocks drawn with replacement, shape (draws,).

    Blocks begin anywhere and wrap round the end, so that every window is drawn as often as any other. A mean is NaN
    where a draw holds no window with weight.

    Source
    ------
    The circular block bootstrap (Politis and Romano 1992; Kunsch 1989 for blocks; both from memory).
    """
    count = len(values)
    block = max(1, min(block, count))
    starts = rng.integers(0, count, size=(draws, -(-count // block)))
    weighed, weight = (_block_sums(figures, block)[starts].sum(axis=1) for figures in (values * weights, weights))
    return np.asarray(np.divide(weighed, weight, out=np.full(draws, np.nan), where=weight > 0))


def difference(
    before: tuple[Floats, Floats, int], after: tuple[Floats, Floats, int], *, draws: int = RESAMPLES, seed: int = SEED
) -> Interval | None:
    """The 95 % interval of the mean after less the mean before; None where draws say nothing.

    Parameters
    ----------
    before, after : (values, weights, block)
        A series of shape (n,), the weight of each window, 0 for those that do not count, and the length of blocks.

    Returns
    -------
    Interval
        From the 2.5th to the 97.5th percentile; the same for the same seed.
    """
    rng = np.random.default_rng(seed)
    drawn_before = means_of_blocks(*before, rng, draws)
    drawn = means_of_blocks(*after, rng, draws) - drawn_before
    told = drawn[~np.isnan(drawn)]
    if len(told) < draws // 2:
        return None
    low, high = np.percentile(told, (2.5, 97.5))
    return Interval(float(low), float(high))


def _block_sums(figures: Floats, block: int) -> Floats:
    """The sum of the block that begins at each window, shape (n,)."""
    sums = np.concatenate([[0.0], np.cumsum(np.concatenate([figures, figures[: block - 1]]))])
    return np.asarray(sums[block:] - sums[:-block])
