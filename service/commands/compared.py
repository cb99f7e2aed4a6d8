"""Counter files compared before and after a change, some devices at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from service.commands.judged import Brought, Judged, Progress, judged
from service.errors import UnusableInput
from service.rules.verdicts.baseline import Baseline, baseline
from service.rules.verdicts.comparing import verdicts
from service.rules.verdicts.series import series_of_teams
from service.terms import DIRECTIONS, Outcome, Stretches, Verdict


class ChangeTold(NamedTuple):
    """When something was changed, how long nothing counts on either side, and the zone of the clock on the wall."""

    at_ms: int
    settle_ms: int
    zone: str


class Row(NamedTuple):
    """One team and direction, and what came of the change."""

    device: str
    team: str
    direction: str
    verdict: Verdict


def hours_of(
    held: Brought, change: ChangeTold, before: tuple[tuple[int, int], ...], after: tuple[int, int] | None
) -> Baseline:
    """Which hours are compared, as far as the files reach; UnusableInput where one side holds none."""
    found = baseline(change.at_ms, change.settle_ms, held.span.end_ms, zone=change.zone, width_ms=held.span.width_ms)
    if after is not None:
        hours = (after[1] - after[0]) / 3_600_000
        found = baseline(
            after[0] - change.settle_ms,
            change.settle_ms,
            after[1],
            after_hours=hours,
            zone=change.zone,
            width_ms=held.span.width_ms,
        )
    clear = (change.at_ms - change.settle_ms, change.at_ms + change.settle_ms)
    sides = (
        _within(before or found.before.spans, (held.span.first_ms, clear[0])),
        _within((after,) if after else found.after.spans, (clear[1], held.span.end_ms)),
    )
    _check(held, sides)
    dates = tuple(date for date, span in zip(found.dates, found.before.spans, strict=True) if span[1] > sides[0][0][0])
    return Baseline(Stretches(sides[0]), Stretches(sides[1]), () if before else dates)


def compared(held: Brought, hours: Baseline, progress: Progress | None = None) -> list[Row]:
    """The verdicts of all teams and directions, in the order of the files."""
    return [row for part in judged(held, progress) for row in _rows(part, hours, held.rule.clear_below)]


def any_worse(rows: Iterable[Row]) -> bool:
    """Whether anything got worse, balance or else."""
    return any(row.verdict.outcome is Outcome.WORSE or row.verdict.harm for row in rows)


def is_known(verdict: Verdict) -> bool:
    """Whether anything at all was counted of a team in a direction."""
    return verdict.before.even_split is not None or verdict.after.even_split is not None


def _rows(part: Judged, hours: Baseline, clear_below: float) -> list[Row]:
    found = part.assessment
    rows = []
    for direction in DIRECTIONS:
        sides = [
            series_of_teams(found.teams, found.members, part.layout, direction, stretches)
            for stretches in (hours.before, hours.after)
        ]
        told = verdicts(sides[0], sides[1], clear_below=clear_below)
        rows += [
            Row(team.device, team.team, direction, verdict)
            for team, verdict in zip(part.layout.teams, told, strict=True)
        ]
    return sorted(rows, key=lambda row: (row.device, row.team, row.direction))


def _within(spans: Sequence[tuple[int, int]], limits: tuple[int, int]) -> tuple[tuple[int, int], ...]:
    cut = ((max(start, limits[0]), min(end, limits[1])) for start, end in spans)
    return tuple((start, end) for start, end in cut if end > start)


def _check(held: Brought, sides: tuple[tuple[tuple[int, int], ...], ...]) -> None:
    # After first: without hours after there are none before that are like them.
    for spans, name in reversed([*zip(sides, ("before", "after"), strict=True)]):
        if not spans:
            raise UnusableInput(
                ", ".join(held.files),
                f"no sample lies in the hours {name} the change that could be compared",
                f"name other hours with --{name} FROM/TO, or add files that hold them",
            )
