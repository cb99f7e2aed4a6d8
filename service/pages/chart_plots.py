"""What is drawn of a team: its figures, findings of the time as stretches, changes as marks."""

from __future__ import annotations

import numpy as np
from sqlalchemy import Connection

from service.charts.plots import Line, Mark, Plot, Stretch
from service.evaluation import Policy
from service.pages import spoken
from service.pages.charted_figures import Figures
from service.storage import changes, findings
from service.storage.findings import Filters
from service.storage.inventory import Team
from service.terms import DIRECTIONS, Finding, Floats, Span

MOST_FINDINGS = 50


def plot(connection: Connection, policy: Policy, team: Team, found: Figures, way: int) -> Plot:
    """The plot of one direction."""
    span, rule = found.span, policy.rules_for(team.device, team.name)
    title = (
        f"{team.device}, team {team.name}, {DIRECTIONS[way]}, {spoken.at(span.first_ms)} to {spoken.at(span.end_ms)}"
    )
    return Plot(
        title=title,
        summary=summary(found, way),
        first_ms=span.first_ms,
        width_ms=span.width_ms,
        lines=lines(found, way),
        even_split=found.even_split[:, way],
        hot_above=rule.hot_above,
        idle_below=rule.idle_below,
        stretches=_stretches(connection, team, span, way),
        marks=_marks(connection, team, span, way),
    )


def lines(found: Figures, way: int) -> tuple[Line, ...]:
    """A line a member."""
    return tuple(
        Line(name, found.shares[row, :, way], found.partial[row, :, way], found.restated)
        for row, name in enumerate(found.names)
    )


def summary(found: Figures, way: int) -> str:
    """Of each member its last known figure and its highest, in words for whoever cannot see the drawing."""
    return " ".join(_of_member(name, found.shares[row, :, way]) for row, name in enumerate(found.names))


def _of_member(name: str, shares: Floats) -> str:
    known = shares[np.isfinite(shares)]
    if not len(known):
        return f"{name} is unknown all the time."
    unknown = len(shares) - len(known)
    told = f"{name} last at {spoken.per_cent(float(known[-1]), 1)}, at most {spoken.per_cent(float(known.max()), 1)}"
    return f"{told}, unknown in {unknown} of {len(shares)}."


def _stretches(connection: Connection, team: Team, span: Span, way: int) -> tuple[Stretch, ...]:
    wanted = Filters(team_id=team.id, direction=DIRECTIONS[way], until_ms=span.end_ms)
    kept = [row.finding for row in findings.listing(connection, wanted, limit=MOST_FINDINGS).items]
    during = [one for one in kept if one.cleared_ms is None or one.cleared_ms > span.first_ms]
    return tuple(_stretch(one, span) for one in reversed(during))


def _stretch(finding: Finding, span: Span) -> Stretch:
    """From the first window that showed it to the last one, or to the end while it is open."""
    if finding.cleared_ms is None:
        return Stretch(finding.since_ms, span.end_ms, finding.kind, str(finding.severity))
    return Stretch(finding.since_ms, finding.cleared_ms, finding.kind, str(finding.severity))


def _marks(connection: Connection, team: Team, span: Span, way: int) -> tuple[Mark, ...]:
    seen = changes.of_teams(connection, [team.id], span.first_ms, span.end_ms)
    return tuple(Mark(one.change.at_ms, one.change.what) for one in seen if one.line.direction == DIRECTIONS[way])
