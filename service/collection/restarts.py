"""Whether an agent restarted between two readings of its uptime."""

from __future__ import annotations

from typing import NamedTuple

from service.feeds.snmp.gathering import TICKS_ROUND

TICK_MS = 10  # TimeTicks count hundredths of a second, and begin anew after 497 days
# Some agents refresh their uptime only now and then, and no two clocks run alike.
SLACK_TICKS, SLACK_SHARE = 3000, 0.02


class Uptime(NamedTuple):
    """How long an agent said that it is up, and when it said so."""

    ticks: int
    at_ms: int


def restarted(before: Uptime, now: Uptime) -> bool:
    """Whether the agent cannot have been up from one reading to the other.

    Examples
    --------
    >>> restarted(Uptime(50_000, 0), Uptime(51_000, 10_000)), restarted(Uptime(50_000, 0), Uptime(700, 10_000))
    (False, True)
    """
    elapsed = (now.at_ms - before.at_ms) / TICK_MS
    slack = SLACK_TICKS + SLACK_SHARE * abs(elapsed)
    advanced = (now.ticks - before.ticks) % TICKS_ROUND
    if now.ticks < before.ticks:  # it began anew: by itself after 497 days, or because the agent did
        return abs(advanced - elapsed) > slack
    return advanced < elapsed - slack
