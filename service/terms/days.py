"""What one team's day came to."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TeamDay:
    """What one team and direction came to in the day that begins at `day_ms`; NaN where nothing is known.

    `busy_bps` is the 95th percentile of the total in the hour that begins at `busy_ms`, the busiest of the day, and
    `speeds_bps` are the members that counted then; `even_p95` is that of the even split, a share of 1.
    """

    team_id: int
    day_ms: int
    direction: int
    stranded_bit_seconds: float
    stranded_seconds: float
    seen_seconds: float
    busy_bps: float
    busy_ms: int
    speeds_bps: tuple[float, ...]
    even_p95: float
