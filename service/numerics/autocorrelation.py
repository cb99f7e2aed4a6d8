"""How much windows say once each resembles the one before: autocorrelation, tau, effective sample size.

A pair of windows counts by its distance in time and never across a break, where one stretch ends and another
begins. A window that is missing forms no pairs, but does not end a stretch: where single windows are missing at
random, pieces between them would be too short to show a slow correlation, and hide it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from service.numerics.comparing_loop import deviations_of, edges_of, rho_of, taus_of
from service.terms import Floats, Truths


def autocorrelation(values: Floats, breaks: Truths | None = None, *, most: int | None = None) -> Floats:
    """The sample autocorrelation at lags 0, 1, ... up to `most`, shape (most + 1,).

    Parameters
    ----------
    values : shape (n,)
        NaN where missing.
    breaks : bool, shape (n,), optional
        True where a window does not follow the one before it.

    Returns
    -------
    shape (most + 1,)
        NaN where no pair is so far apart, or where nothing varies.

    Source
    ------
    Box, Jenkins and Reinsel, Time Series Analysis, section 2.1 (from memory): r_k = c_k / c_0 with the divisor n
    in both; over several stretches the mean product of pairs takes the place of that of one stretch.
    """
    lags = range(1, (len(values) - 1 if most is None else most) + 1)
    if np.isnan(values).all():
        return np.full(len(lags) + 1, np.nan)
    values = np.ascontiguousarray(values, dtype=np.float64)
    found = deviations_of(values, float(np.nanmean(values)), edges_of(_breaks(breaks, len(values))))
    if found.squares == 0:
        return np.full(len(lags) + 1, np.nan)
    return np.array([1.0, *(rho_of(found, lag) for lag in lags)])


def taus(values: Floats, breaks: Truths | None = None) -> Floats:
    """How many windows say as much as one independent one, for many series of the same windows at once.

    Parameters
    ----------
    values : shape (n_series, n)
        NaN where missing.
    breaks : bool, shape (n,), optional

    Returns
    -------
    shape (n_series,)
        At least 1; the count of windows where stretches end before the correlation does; NaN without any value.

    Source
    ------
    tau = 1 + 2 sum (1 - k/n) r_k, lags added in pairs up to the first pair whose sum is not positive (the initial
    positive sequence of Geyer, Practical Markov chain Monte Carlo, 1992, from memory).
    """
    out = np.empty(len(values))
    taus_of(np.ascontiguousarray(values, dtype=np.float64), _breaks(breaks, values.shape[1]), out)
    return out


def tau(values: Floats, breaks: Truths | None = None) -> float:
    """How many windows of one series, shape (n,), say as much as one independent one."""
    return float(taus(values[np.newaxis], breaks)[0])


def effective(count: npt.ArrayLike, tau: npt.ArrayLike) -> Floats:
    """The effective sample size: so many independent windows would say as much."""
    return np.asarray(np.asarray(count, dtype=np.float64) / np.asarray(tau, dtype=np.float64))


def effective_at(count: int, rho: float) -> float:
    """The effective sample size of a series in which only neighbours depend on each other, with correlation `rho`.

    Source
    ------
    The variance of a mean of a first-order autoregression is (1 + rho) / (1 - rho) times that of independent values
    (textbook, from memory).

    Examples
    --------
    >>> round(effective_at(2880, 0.98))
    29
    """
    return count * (1 - rho) / (1 + rho)


def _breaks(told: Truths | None, count: int) -> Truths:
    return np.zeros(count, dtype=np.bool_) if told is None else np.ascontiguousarray(told)
