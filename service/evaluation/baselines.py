"""What a change is compared with, frozen as it is recorded, and the windows of either side as they are kept."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from sqlalchemy import Connection

from service.evaluation.plan import Policy
from service.numerics.comparing_loop import FLOOR, SLACK
from service.rules.verdicts.baseline import baseline
from service.rules.verdicts.following import since
from service.rules.verdicts.series import Series, series_of
from service.storage import changes, inventory, windows
from service.storage.changes import Place
from service.terms import DIRECTIONS, UNKNOWN, Baseline, Change, Stretches

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
OF_WINDOWS = ("starts", "ports", "width_ms")  # what of a series is not by team and window


def first_ms(change: Change, width_ms: int) -> int:
    """Where the first whole window after the settle time begins."""
    return -(-(change.at_ms + change.settle_ms) // width_ms) * width_ms


def drawn_up(
    connection: Connection, change: Change, places: Collection[Place], policy: Policy, until_ms: int | None
) -> dict[Place, Baseline]:
    """What a change is compared with, to be kept for good: the same hours on comparable days before it.

    `until_ms` is how long the time after is watched on each day; a day where nobody says. It reads days of windows of
    every team, so that nothing should be locked meanwhile.
    """
    begin_ms = first_ms(change, policy.width_ms)
    length_ms = DAY_MS if until_ms is None else min(DAY_MS, until_ms - begin_ms)
    found = baseline(
        change.at_ms,
        change.settle_ms,
        change.created_ms,
        after_hours=length_ms / HOUR_MS,
        zone=policy.zone,
        working_days=policy.working_days,
        width_ms=policy.width_ms,
    )
    dates = dict(zip((end for _, end in found.before.spans), found.dates, strict=True))
    settled: dict[Place, int] = {}
    for one in changes.of_teams(connection, {place.team_id for place in places}, None, change.at_ms):
        ends_ms = one.change.at_ms + one.change.settle_ms
        settled[one.line.place] = max(ends_ms, settled.get(one.line.place, 0))
    drawn: dict[Place, Baseline] = {}
    for (team_id, spans), ways in _alike(places, found.before, settled).items():
        days = tuple(dates[end] for _, end in spans)
        told = Baseline(spans, length_ms, days=days, zone=policy.zone, frozen_ms=change.created_ms)
        kept = series_by_way(connection, team_id, ways, Stretches(spans), policy)
        drawn |= {Place(team_id, way): _counted(told, kept.get(way)) for way in ways}
    return drawn


def _alike(
    places: Collection[Place], before: Stretches, settled: Mapping[Place, int]
) -> dict[tuple[int, tuple[tuple[int, int], ...]], list[int]]:
    """The directions of each team that are compared with the same spans, so that these are read once."""
    alike: dict[tuple[int, tuple[tuple[int, int], ...]], list[int]] = {}
    for place in places:
        spans = since(before, settled.get(place, 0))
        alike.setdefault((place.team_id, spans), []).append(place.direction)
    return alike


def _counted(told: Baseline, found: Series | None) -> Baseline:
    if found is None:
        return told
    # A window that nobody kept has no even split, and is none of those there were.
    even = found.even_split[0]
    known = ~np.isnan(even) & (found.eligible[0] == _usual(found))
    return replace(told, windows=int(found.starts.size), counted=int((known & (even >= FLOOR - SLACK)).sum()))


def _usual(found: Series) -> int:
    """The members that count in most windows, as a bit set."""
    return int(np.bincount(found.eligible[0], minlength=1).argmax()) if found.eligible.size else 0


def series(connection: Connection, place: Place, stretches: Stretches, policy: Policy) -> Series | None:
    """One team and direction over the windows of some spans as they are kept; None where it has no members."""
    return series_by_way(connection, place.team_id, [place.direction], stretches, policy).get(place.direction)


def series_by_way(
    connection: Connection, team_id: int, ways: Collection[int], stretches: Stretches, policy: Policy
) -> dict[int, Series]:
    """The same for several directions, read once; of none where the team has no members."""
    placed = inventory.layout(connection, [team_id])
    if not len(placed.team_ids) or not stretches.spans:
        return {}
    rows = [port for port in placed.layout.members[0].tolist() if port != UNKNOWN]
    names = [placed.layout.ports[port].port for port in rows]
    team = placed.layout.teams[0]
    rule = policy.rules_for(team.device, team.team)
    found: dict[int, list[Series]] = {way: [] for way in ways}
    for start_ms, end_ms in stretches.spans:
        kept = windows.read(connection, team_id, start_ms, end_ms, policy.width_ms)
        members, span = windows.by_layout(kept, placed), Stretches(((start_ms, end_ms),))
        for way, told in found.items():
            told.append(series_of(members, rows, names, rule, DIRECTIONS[way], span))
    return {way: _joined(told) for way, told in found.items()}


def _joined(found: Sequence[Series]) -> Series:
    """Stretches of the same team as one series."""
    told: dict[str, Any] = {
        field.name: np.concatenate([getattr(one, field.name) for one in found], axis=1)
        for field in fields(Series)
        if field.name not in OF_WINDOWS
    }
    return replace(found[0], starts=np.concatenate([one.starts for one in found]), **told)
