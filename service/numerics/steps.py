"""Levels of a series of windows: where it steps from one to the next, and how steady it is between."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from service.terms import Floats

DISTINCT = 4  # a step of so many standard deviations of what lies between the steps is no chance


class Step(NamedTuple):
    """A change of level: the first window that is wholly on the new one, the last on the old one, both levels."""

    at: int
    last: int
    before: float
    after: float

    @property
    def height(self) -> float:
        """By how much the level rose; below 0 where it fell."""
        return self.after - self.before


def steps(values: Floats, least: float = 0.10) -> tuple[Step, ...]:
    """Where the level changes by at least so much within two windows, and stays.

    Parameters
    ----------
    values : array, shape (n_windows,)
        Utilisations, NaN where unknown; unknown windows are passed over.
    least : float
        A smaller change is none; one window that stands out alone is none either.

    Returns
    -------
    tuple of Step
        In order of time. Levels are medians of the windows between two steps. A window in which the
        change happened lies between the levels and belongs to neither.

    Examples
    --------
    >>> steps(np.array([0.02, 0.02, 0.5, 0.98, 0.98]))
    (Step(at=3, last=1, before=0.02, after=0.98),)
    """
    known = np.flatnonzero(~np.isnan(values))
    levels = _levels(values[known], least)
    found = []
    for (first, end), (start, stop) in pairwise(levels):
        before, after = (float(np.median(values[known[a:b]])) for a, b in ((first, end), (start, stop)))
        if abs(after - before) >= least:
            found.append(Step(int(known[start]), int(known[end - 1]), before, after))
    return tuple(found)


def wander(values: Floats, least: float = 0.10) -> float:
    """By how much windows wander about their level: the standard deviation of all known ones from it, NaN of none.

    Levels are those between which `steps` finds its steps; windows in which a step happened count for none.

    Examples
    --------
    >>> wander(np.array([0.2, 0.2, 0.9, 0.9]))
    0.0
    """
    known = values[~np.isnan(values)]
    off = [known[start:end] - np.median(known[start:end]) for start, end in _levels(known, least)]
    return float(np.concatenate(off).std()) if off else np.nan


def _levels(values: Floats, least: float) -> list[tuple[int, int]]:
    """Stretches [start, end) of one level each; windows between two stretches belong to none."""
    if not len(values):
        return []
    if values.max() - values.min() < least:
        return [(0, len(values))]
    found: list[tuple[int, int]] = []
    start = at = 0
    while (at := at + 1) < len(values):
        level = float(np.median(values[start:at]))
        if abs(values[at] - level) < least or _stands_alone(values, at, level, least):
            continue
        found.append((start, at))
        at = start = at + int(_goes_on(values, at, level, least))
    return [*found, (start, len(values))]


def _stands_alone(values: Floats, at: int, level: float, least: float) -> bool:
    return at + 1 < len(values) and abs(values[at + 1] - level) < least


def _goes_on(values: Floats, at: int, level: float, least: float) -> bool:
    """Whether the change is only half done in this window: the next goes further the same way."""
    if at + 1 >= len(values):
        return False
    first, then = values[at] - level, values[at + 1] - values[at]
    return bool(first * then > 0 and abs(then) >= min(least, abs(first) / 2))


def variation(values: Floats) -> float:
    """The coefficient of variation, population standard deviation over mean, of the known ones; NaN where none is.

    Examples
    --------
    >>> variation(np.array([1.0, 1.0, np.nan]))
    0.0
    """
    known = values[~np.isnan(values)]
    mean = float(known.mean()) if len(known) else np.nan
    return float(known.std()) / mean if mean > 0 else np.nan
