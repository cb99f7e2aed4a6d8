"""How many teams use which method, and which of those methods their far end cannot bear."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from service.rules.advice.methods import WAYS
from service.rules.advice.refusals import mismatch


@dataclass(frozen=True, slots=True)
class MethodCount:
    """Teams of one method before one kind of far end; `mismatch` says why that must not be, empty where it may."""

    method: str
    far_end: str
    teams: int
    mismatch: str


def inventory(teams: Iterable[tuple[str, str]]) -> tuple[MethodCount, ...]:
    """Counts of (method, far end), in the words of `advice.refusals.far_end`: mismatches first, then the most teams.

    A method that is unknown, or one that no rule speaks of, is counted and never called a mismatch.
    """
    counted = (
        MethodCount(method, far_end, many, mismatch(method, far_end) if method in WAYS else "")
        for (method, far_end), many in Counter(teams).items()
    )
    return tuple(sorted(counted, key=lambda count: (not count.mismatch, -count.teams, count.method, count.far_end)))
