"""Making of each team's windows what its day came to, once a day, while the windows are kept."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from sqlalchemy import Connection, Engine

from service.evaluation.plan import Policy
from service.rules.kinds import team_windows
from service.rules.table import rule_table
from service.storage import inventory, team_days, windows
from service.storage.placing import Placed
from service.terms import UNKNOWN, Floats, Kind, MemberWindows, TeamDay, TeamWindows, Truths

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
KEPT_MS = 400 * DAY_MS
CATCH_UP_DAYS = 13
"""Windows are kept for 14 days, the first of which is being removed."""
WAIT_MS = HOUR_MS
"""What comes an hour after midnight restates windows, not the day. Own choice."""
TEAMS_AT_ONCE = 100
# Of those that are uneven or skewed a better split would free the capacity; a full team has none to free.
STRANDING = [Kind.UNEVEN, Kind.UNEVEN_AND_FULL, Kind.SKEWED, Kind.OSCILLATING]
Place = tuple[int, int]


def bring_up_to_date(engine: Engine, policy: Policy, now_ms: int) -> int:
    """Make the days that are over and not yet made, the oldest first, some teams a transaction; how many rows."""
    last_ms = (now_ms - WAIT_MS) // DAY_MS * DAY_MS - DAY_MS
    days = range(last_ms - CATCH_UP_DAYS * DAY_MS + DAY_MS, last_ms + 1, DAY_MS)
    done = sum(_make(engine, policy, day_ms, now_ms) for day_ms in days)
    with engine.begin() as connection:
        team_days.forget_before(connection, now_ms - KEPT_MS)
    return done


def _make(engine: Engine, policy: Policy, day_ms: int, now_ms: int) -> int:
    with engine.connect() as connection:
        wanted = team_days.missing(connection, day_ms, day_ms + DAY_MS)
    done = 0
    for first in range(0, len(wanted), TEAMS_AT_ONCE):
        with engine.begin() as connection:
            rows = made_of(connection, policy, wanted[first : first + TEAMS_AT_ONCE], day_ms)
            team_days.write(connection, rows, now_ms)
            done += len(rows)
    return done


def made_of(connection: Connection, policy: Policy, team_ids: Sequence[int], day_ms: int) -> list[TeamDay]:
    """What the day of teams came to, with the members that they have now, two rows each."""
    placed = inventory.layout(connection, team_ids)
    if not len(placed.team_ids):
        return []
    kept = windows.read_many(connection, placed.team_ids, day_ms, day_ms + DAY_MS, policy.width_ms)
    members = windows.by_layout(kept, placed)
    rules = [policy.rules_for(team.device, team.team) for team in placed.layout.teams]
    teams = team_windows(members, placed.layout, rule_table(rules, placed.layout.teams, policy.width_ms))
    known = np.asarray(teams.evaluable) & kept.there[:, :, np.newaxis]
    stranding = np.isin(kept.kinds, STRANDING) & known
    return [
        _day(int(team_id), (position, way), day_ms, teams, members, (known, stranding), placed)
        for position, team_id in enumerate(placed.team_ids)
        for way in (0, 1)
    ]


def _day(  # noqa: PLR0913, PLR0917  # what is known of all teams at once
    team_id: int,
    place: Place,
    day_ms: int,
    teams: TeamWindows,
    members: MemberWindows,
    marked: tuple[Truths, Truths],
    placed: Placed,
) -> TeamDay:
    position, way = place
    at = (position, slice(None), way)
    known, stranding = (marks[at] for marks in marked)
    seconds = teams.span.width_ms / 1000
    totals = np.where(known & (teams.total_bps[at] >= 0), teams.total_bps[at], np.nan).astype(np.float64)
    hour, busy_bps = _busiest_hour(totals, HOUR_MS // teams.span.width_ms)
    return TeamDay(
        team_id=team_id,
        day_ms=day_ms,
        direction=way,
        stranded_bit_seconds=float(np.maximum(teams.stranded_bps[at][stranding], 0).sum()) * seconds,
        stranded_seconds=float(stranding.sum()) * seconds,
        seen_seconds=float(known.sum()) * seconds,
        busy_bps=busy_bps,
        busy_ms=day_ms + hour * HOUR_MS,
        speeds_bps=_speeds(members, placed, place, slice(hour * HOUR_MS // teams.span.width_ms, None), known),
        even_p95=_p95(np.where(known, teams.even_split[at], np.nan)),
    )


def _busiest_hour(totals: Floats, windows_an_hour: int) -> tuple[int, float]:
    """The hour with the highest mean total, the first of equals, and the 95th percentile within it."""
    hours = totals.reshape(-1, windows_an_hour)
    counted = np.isfinite(hours).sum(axis=1)
    if not counted.any():
        return 0, float("nan")
    means = np.where(counted > 0, np.nansum(hours, axis=1) / np.maximum(counted, 1), -1.0)
    hour = int(means.argmax())
    return hour, _p95(hours[hour])


def _speeds(members: MemberWindows, placed: Placed, place: Place, after: slice, known: Truths) -> tuple[float, ...]:
    """Speeds of the members that counted in the first known window of the hour."""
    slots = np.flatnonzero(known[after])
    if not slots.size:
        return ()
    slot = int(slots[0]) + (after.start or 0)
    ports = [port for port in placed.layout.members[place[0]].tolist() if port != UNKNOWN]
    return tuple(
        float(members.speed_bps[port, slot]) for port in ports if np.isfinite(members.utilisation[port, slot, place[1]])
    )


def _p95(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.percentile(known, 95)) if known.size else float("nan")
