"""Windows rolled up to longer times, without losing the peak, the time above the line, or what is missing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from service.errors import WrongQuestion
from service.terms import Floats, Ints, Singles, Span

WIDTH_MS = 300_000


class Rollups(NamedTuple):
    """Figures of longer slots of time, shape (..., n_slots), `start_ms` (n_slots,); NaN where nothing is known."""

    start_ms: Ints
    mean: Floats
    peak: Floats
    hot_seconds: Floats
    coverage: Floats


def rolled_up(
    utilisation: Floats, coverage: Singles | Floats, span: Span, *, hot_above: float = 0.75, width_ms: int = WIDTH_MS
) -> Rollups:
    """Roll windows up into slots aligned to the epoch.

    Parameters
    ----------
    utilisation, coverage : shape (..., n_windows)
        As of windows: utilisation NaN where unknown.

    Returns
    -------
    Rollups
        The mean weighs each window by its coverage; `peak` is the highest window; `hot_seconds`
        counts windows strictly above the line; `coverage` is of the slot, so that a slot of
        which the span holds a part is not complete.
    """
    slots, first_of = np.unique(span.starts() // width_ms, return_index=True)
    known = ~np.isnan(utilisation)
    weight = np.where(known, coverage, 0.0)

    def summed(figures: npt.NDArray[np.generic]) -> Floats:
        return np.add.reduceat(figures, first_of, axis=-1, dtype=np.float64)

    weights = summed(weight)
    hot = summed(np.where(known, utilisation, 0.0) > hot_above) * (span.width_ms / 1000)
    return Rollups(
        start_ms=slots * width_ms,
        mean=np.divide(
            summed(weight * np.where(known, utilisation, 0.0)),
            weights,
            out=np.full_like(weights, np.nan),
            where=weights > 0,
        ),
        peak=np.fmax.reduceat(utilisation, first_of, axis=-1),
        hot_seconds=np.where(summed(known) > 0, hot, np.nan),
        coverage=summed(np.asarray(coverage)) * (span.width_ms / width_ms),
    )


def percentile(values: Floats, percent: int) -> float:
    """The nearest-rank percentile: the 95th of 2,880 windows is the 2,736th smallest; NaN where nothing is known.

    Unknown windows are left out, not counted as idle.

    Raises
    ------
    WrongQuestion
        Outside 1 to 100.
    """
    if not 1 <= percent <= 100:
        raise WrongQuestion("percentile", f"{percent} is not between 1 and 100")
    known = np.sort(values[~np.isnan(values)], axis=None)
    if len(known) == 0:
        return float("nan")
    # In whole numbers: 0.95 x 2880 is a little more than 2736 in some floats.
    return float(known[-(-len(known) * percent // 100) - 1])
