"""Series for tests of verdicts, made from what members carry."""

from __future__ import annotations

from typing import Any

import numpy as np
from examples import EPOCH_MS, GIGABIT

from service.rules.verdicts.series import Series

WIDTH_MS = 30_000
DAY_MS = 86_400_000


def a_series(utilisation: Any, *, starts: Any = None, first_ms: int = EPOCH_MS, **changes: Any) -> Series:
    """One side of teams from their members' utilisations, (n_members, n_windows) or (n_members, n_teams, n_windows).

    Members have 1 Gbit/s, all count, and nobody counts frames; `starts` or windows one after the other.
    """
    u = np.asarray(utilisation, dtype=np.float64)
    u = u[:, np.newaxis] if u.ndim == 2 else u
    members, shape = len(u), u.shape[1:]
    busiest, total = u.max(axis=0), u.sum(axis=0)
    told = {
        "ports": (tuple(f"m{member + 1}" for member in range(members)),) * shape[0],
        "starts": first_ms + np.arange(shape[1]) * WIDTH_MS if starts is None else np.asarray(starts),
        "width_ms": WIDTH_MS,
        "even_split": total / members,
        "busiest": busiest,
        "share": np.divide(busiest, total, out=np.full(shape, np.nan), where=total > 0),
        "total_bps": total * GIGABIT,
        "position": u.argmax(axis=0).astype(np.int8),
        "eligible": np.full(shape, (1 << members) - 1, dtype=np.uint8),
        "lost": np.zeros(shape, dtype=np.uint8),
        "flagged": (busiest > 0.75) & (u.min(axis=0) < 0.30),
        "dropped": np.full(shape, np.nan, dtype=np.float32),
        "sent": np.full(shape, np.nan, dtype=np.float32),
    }
    return Series(**{**told, **changes})


def apart(excess: Any, even_split: Any = 0.4, **changes: Any) -> Series:
    """Two members of which one is so far above the even split, and the other as far below."""
    excess = np.asarray(excess, dtype=np.float64)
    return a_series(np.stack([even_split + excess, even_split - excess]), **changes)


def wandering(series: int, windows: int, rho: float, deviation: float, rng: np.random.Generator) -> Any:
    """Stationary first-order autoregressions, shape (series, windows)."""
    x = np.empty((windows, series))
    x[0] = rng.standard_normal(series)
    step = np.sqrt(1 - rho * rho)
    for window in range(1, windows):
        x[window] = rho * x[window - 1] + step * rng.standard_normal(series)
    return deviation * np.ascontiguousarray(x.T)
