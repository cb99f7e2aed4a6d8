"""Windows to columns of pixels: where there are more windows than pixels, the least and the most of each column."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from service.terms import Floats, Truths


@dataclass(frozen=True)
class Columns:
    """Windows by column, all (n_columns,); `windows` of them make one.

    `low` and `high` are NaN where no window of the column is known; `falls` where the most came before the least,
    `broken` where at least one window is unknown: a line ends there, even if others of the column are known.
    """

    windows: int
    low: Floats
    high: Floats
    falls: Truths
    broken: Truths


def columns(figures: Floats, most: int) -> Columns:
    """At most `most` columns of figures (n,), NaN where unknown."""
    windows = max(1, math.ceil(len(figures) / most))
    by_column = by(figures, windows, np.nan)
    unknown = np.isnan(by_column)
    low, high = np.where(unknown, np.inf, by_column), np.where(unknown, -np.inf, by_column)
    none = unknown.all(axis=1)
    falls = np.greater(low.argmin(axis=1), high.argmax(axis=1))
    # What pads the last column is no window, so it makes no hole.
    padding = by(np.zeros(len(figures), dtype=np.bool_), windows, fill=True)
    broken: Truths = (unknown & ~padding).any(axis=1)
    return Columns(
        windows, np.where(none, np.nan, low.min(axis=1)), np.where(none, np.nan, high.max(axis=1)), falls, broken
    )


def by(values: npt.NDArray[Any], windows: int, fill: object) -> npt.NDArray[Any]:
    """Values (n,) as (n_columns, windows), the last column filled up."""
    count = -(-len(values) // windows)
    filled = np.full(count * windows, fill, dtype=values.dtype)
    filled[: len(values)] = values
    return filled.reshape(count, windows)


def any_of(truths: Truths, windows: int) -> Truths:
    """Whether it holds of a window of each column."""
    return np.asarray(by(truths, windows, fill=False).any(axis=1), dtype=np.bool_)


def runs(of: Columns) -> list[tuple[int, int]]:
    """Columns that a line joins, as half-open pairs: known ones side by side; one with a hole in it stands alone."""
    known = ~np.isnan(of.low)
    joined = known & ~of.broken
    found: list[tuple[int, int]] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([False], joined, [False])).astype(np.int8)))
    found += [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
    found += [(int(at), int(at) + 1) for at in np.flatnonzero(known & of.broken)]
    return sorted(found)


def holes(of: Columns) -> list[tuple[int, int]]:
    """Columns side by side that have an unknown window, as half-open pairs."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], of.broken, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
