"""Which teams could not carry their busiest hour with a member less."""

from __future__ import annotations

import math
from collections.abc import Sequence


def load_after_loss(busy_bps: float, speeds_bps: Sequence[float]) -> float:
    """Share of what would be left of a team's capacity, its fastest member lost, that its busiest hour asks for.

    Parameters
    ----------
    busy_bps : float
        95th percentile of the team's total in its busiest hour, bit/s; NaN where nothing is known.
    speeds_bps : sequence of float, length n_members
        Line rates of the members that carry traffic, bit/s; one that is not known is NaN.

    Returns
    -------
    float
        1 where the rest would just be full; infinite where nothing would be left; NaN where load or speeds are
        not known.

    Examples
    --------
    >>> load_after_loss(12e9, [10e9, 10e9])
    1.2
    """
    if not speeds_bps or math.isnan(busy_bps) or any(math.isnan(speed) for speed in speeds_bps):
        return math.nan
    left = sum(speeds_bps) - max(speeds_bps)
    if left > 0:
        return busy_bps / left
    return math.inf if busy_bps > 0 else 0.0


def cannot_lose_a_member(load: float) -> bool:
    """Whether the rest would be more than full; what is not known is on no list."""
    return load > 1.0
