"""Where the even split is heading, week by week, with a range that says how little a few weeks tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

FEWEST_WEEKS = 3
"""Two points lie on a line whatever they are; the slope's error needs a third."""
WEAK_BELOW_WEEKS = 12
"""Under a quarter of a year a season cannot be told from a trend. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A line through weekly values in per cent: points a week, and weeks from the last value until the line is crossed.

    `low` and `high` bound the slope with 95 % confidence. `weeks`, `soonest` and `latest` are infinite where that slope
    never gets there.
    """

    points: int
    slope: float
    low: float
    high: float
    weeks: float
    soonest: float
    latest: float

    @property
    def weak(self) -> bool:
        """Whether there are too few weeks to lean on."""
        return self.points < WEAK_BELOW_WEEKS

    @property
    def told(self) -> bool:
        """Whether the range leaves no doubt of which way it goes."""
        return self.low > 0 or self.high < 0


def trend(values: Sequence[float], crossing: float) -> Trend | None:
    """The trend of weekly values, oldest first; None with fewer than three known.

    Parameters
    ----------
    values : sequence of float, length n_weeks
        Per cent; NaN for a week that nobody saw, which keeps its place on the axis.
    crossing : float
        The line that is asked about, per cent.

    Source
    ------
    Least squares; the slope's interval by Student's t with n - 2 degrees of freedom (any textbook of regression).
    """
    y = np.asarray(values, dtype=np.float64)
    x = np.arange(y.size, dtype=np.float64)
    known = ~np.isnan(y)
    n = int(known.sum())
    if n < FEWEST_WEEKS:
        return None
    slope, error = _line(x[known], y[known])
    reach = float(stdtrit(n - 2, 0.975)) * error
    missing = crossing - float(y[known][-1])
    return Trend(
        n,
        slope,
        slope - reach,
        slope + reach,
        _weeks(missing, slope),
        _weeks(missing, slope + reach),
        _weeks(missing, slope - reach),
    )


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """The slope and its standard error."""
    across = x - x.mean()
    spread = float(across @ across)
    slope = float(across @ (y - y.mean())) / spread
    left = y - y.mean() - slope * across
    return slope, math.sqrt(float(left @ left) / (x.size - 2) / spread)


def _weeks(missing: float, slope: float) -> float:
    if missing <= 0:
        return 0.0
    return missing / slope if slope > 0 else math.inf
