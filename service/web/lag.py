"""How far evaluation is behind what it should have decided."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection

from service.evaluation.plan import GONE_MS, Policy
from service.storage import watch
from service.storage.watch import Watched


@dataclass(frozen=True)
class Lag:
    """The longest time since a window was due that is still not decided, of which there are teams."""

    worst_ms: int
    teams_behind: int


def of(connection: Connection, policy: Policy, now_ms: int) -> Lag:
    """How things stand now."""
    late = [_late_ms(team, policy, now_ms) for team in watch.watched(connection)]
    return Lag(max(late, default=0), sum(ms > 0 for ms in late))


def _late_ms(team: Watched, policy: Policy, now_ms: int) -> int:
    """For how long the oldest undecided window of a team has been due; 0 where none is."""
    if team.last_sample_ms is None or team.last_sample_ms < now_ms - GONE_MS:
        return 0
    # A team that was never decided begins with its first window, which its newest sample cannot precede.
    decided_ms = team.decided_ms if team.decided_ms is not None else team.last_sample_ms
    due_ms = decided_ms + policy.width_ms + policy.waits_ms(team.feed)
    return max(0, now_ms - due_ms)
