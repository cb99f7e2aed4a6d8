"""Teams by the capacity that lay stranded, times for how long."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

BIT_SECONDS_IN_GBIT_HOUR = 1e9 * 3600
FLOOR_GBIT_HOURS = 1.0
"""Less than 1 Gbit/s for an hour in a week is not worth a manager's line. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Stranded:
    """What one team and direction left stranded, in bit/s times seconds, and for how many seconds."""

    team_id: int
    direction: int
    bit_seconds: float
    seconds: float

    @property
    def gbit_hours(self) -> float:
        """The same in Gbit/s times hours."""
        return self.bit_seconds / BIT_SECONDS_IN_GBIT_HOUR


def ranked(teams: Iterable[Stranded], floor_gbit_hours: float = FLOOR_GBIT_HOURS) -> tuple[Stranded, ...]:
    """Those at or above the floor, most first; equals by their ids, so that the same input gives the same list.

    Examples
    --------
    >>> few = Stranded(2, 0, 0.6e9 * 40 * 3600, 40 * 3600)
    >>> much = Stranded(1, 0, 5.71e9 * 6 * 3600, 6 * 3600)
    >>> [round(team.gbit_hours, 1) for team in ranked([few, much])]
    [34.3, 24.0]
    """
    kept = (team for team in teams if team.gbit_hours >= floor_gbit_hours)
    return tuple(sorted(kept, key=lambda team: (-team.bit_seconds, team.team_id, team.direction)))
