"""The week of all teams, read from what their days came to."""

from __future__ import annotations

from sqlalchemy import Connection

from service.evaluation.plan import Policy
from service.rules.weekly.week import DAY_MS, DAYS, WEEKS, Named, Week, fullest, report
from service.storage import team_days

# Reports are dated; nothing was counted before 1970, and no date is written after 9999.
FIRST_MS, LAST_MS = DAYS * DAY_MS, 253_402_214_400_000


def last_midnight(until_ms: int) -> int:
    """When the last day that is over by then ended, in UTC; the end of the first or last week there is beyond those."""
    return min(LAST_MS, max(FIRST_MS, until_ms)) // DAY_MS * DAY_MS


def state(connection: Connection, until_ms: int) -> tuple[int, int]:
    """What differs once a day of the week that ends at the last midnight by then is made: cheap to ask."""
    to_ms = last_midnight(until_ms)
    return to_ms, team_days.count(connection, to_ms - DAYS * DAY_MS, to_ms)


def week(connection: Connection, policy: Policy, until_ms: int) -> Week:
    """The seven whole days that end at the last midnight by `until_ms`."""
    to_ms = last_midnight(until_ms)
    from_ms = to_ms - DAYS * DAY_MS
    days = team_days.read(connection, from_ms, to_ms)
    followed = {team_id for team_id, _ in fullest(days)}
    before = team_days.read(connection, to_ms - WEEKS * DAYS * DAY_MS, from_ms, followed)
    return report(to_ms, days, before, _named(connection, policy))


def _named(connection: Connection, policy: Policy) -> dict[int, Named]:
    return {
        team_id: Named(device, team, method, bundle, policy.rules_for(device, team).hot_above)
        for team_id, device, team, method, bundle in team_days.names(connection)
    }
