"""Whether an agent restarted between two readings of its uptime."""

from __future__ import annotations

from typing import NamedTuple

# TimeTicks count hundredths of a second in 32 bits (RFC 2578, section 7.1.8), so that they begin anew after 497 days.
TICK_MS = 10
ROLLOVER = 2**32
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
    advanced = (now.ticks - before.ticks) % ROLLOVER
    if now.ticks < before.ticks:  # it began anew: by itself after 497 days, or because the agent did
        return abs(advanced - elapsed) > slack
    return advanced < elapsed - slack
