"""One piece of an errand: the windows of some teams over some time, read, judged and kept in one transaction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from sqlalchemy import Connection

from service.evaluation import declared
from service.evaluation.lives import Lives
from service.evaluation.plan import HOUR_MS, Errand, Policy
from service.rules.assess import Assessment, Run, assess
from service.rules.events import ANEW_MS, Key
from service.rules.kinds import team_windows
from service.rules.life import LifeState, rebuilt
from service.rules.reaching import reach
from service.rules.table import memory_windows, rule_table
from service.storage import events, facts, inventory, samples, watch, windows
from service.storage.inventory import Placed
from service.terms import UNKNOWN, FactsTable, Finding, Rule, Samples, Span

LASTING_AT_MOST = 1000


@dataclass(frozen=True)
class Course:
    """Where an errand stands between two of its pieces: the state of its teams, and the findings open then."""

    life: LifeState
    known: Mapping[str, Finding]


@dataclass(frozen=True)
class Judged:
    """What came of a piece: who it is about, what was found, which rows of windows changed, where it goes on.

    `before` holds the windows as they were kept, where they are decided anew; `known_before` the findings that were
    open when it began.
    """

    placed: Placed
    rules: tuple[Rule, ...]
    assessment: Assessment
    changed: windows.Changed
    before: windows.Kept | None
    course: Course
    known_before: Mapping[str, Finding]

    @property
    def team_ids(self) -> dict[tuple[str, str], int]:
        """The id of each team, by the names of device and team."""
        teams = self.placed.layout.teams
        return {(t.device, t.team): i for t, i in zip(teams, self.placed.team_ids.tolist(), strict=True)}

    def reached_ms(self) -> dict[int, int]:
        """By team, up to when every member was first read at or after the piece's end."""
        placed, read = self.placed, self.assessment.samples
        never = np.iinfo(np.int64).max
        first = np.full(len(placed.port_ids), never, dtype=np.int64)
        after = read.at_ms >= self.assessment.members.span.end_ms
        np.minimum.at(first, read.port[after], read.at_ms[after])
        seats = placed.layout.members
        of_team = np.where(seats == UNKNOWN, UNKNOWN, first[seats]).max(axis=1)
        return dict(zip(placed.team_ids.tolist(), of_team.tolist(), strict=True))


@dataclass(frozen=True)
class Desk:
    """What judging needs besides the errand: rules, what is remembered of teams, and now.

    `explained` are the findings that were looked into in this round, by id.
    """

    policy: Policy
    lives: Lives
    now_ms: int
    explained: set[str] = field(default_factory=set)


def judge(connection: Connection, errand: Errand, span: Span, course: Course | None, desk: Desk) -> Judged:
    """Assess one piece and keep its windows; without a course it sets out from what is remembered or kept."""
    placed = inventory.layout(connection, errand.team_ids.tolist())
    rules = tuple(desk.policy.rules_for(team.device, team.team) for team in placed.layout.teams)
    course = course or _set_out(connection, errand, placed, rules, desk)
    samples_read, table = bearing_on(connection, placed, span)
    said = declared.of(connection, placed.layout, desk.policy, desk.now_ms)
    assessment = assess(
        Run(
            samples=samples_read,
            facts=table,
            layout=placed.layout,
            rules=rules,
            span=span,
            life=course.life,
            open=course.known,
            now_ms=desk.now_ms,
            speeds=desk.policy.speeds(placed.layout),
            far_bps=said.far_bps,
            roles=said.roles(samples_read, table),
            broken=said.broken,
        )
    )
    before = _kept_before(connection, errand, span) if errand.is_late else None
    changed = windows.write(connection, placed, assessment.members, assessment.teams.kind)
    known = {finding.id: finding for finding in assessment.findings if finding.cleared_ms is None}
    return Judged(placed, rules, assessment, changed, before, Course(assessment.life, known), course.known)


def _set_out(connection: Connection, errand: Errand, placed: Placed, rules: tuple[Rule, ...], desk: Desk) -> Course:
    """Where the teams stood before the errand's first window."""
    team_ids, start_ms = placed.team_ids.tolist(), errand.start_ms
    told = [one.finding for one in watch.alive(connection, team_ids, start_ms - HOUR_MS, start_ms)]
    known = {f.id: _as_of(f, start_ms, errand) for f in told if f.cleared_ms is None or f.cleared_ms > start_ms}
    life = None if errand.is_late else desk.lives.recall(placed, start_ms // _width_ms(rules))
    if life is None:
        desk.lives.notice(_lasting(connection, placed, start_ms))
        life = desk.lives.aware(_rebuilt(connection, placed, rules, start_ms, told))
    return Course(life, known)


def _as_of(finding: Finding, at_ms: int, errand: Errand) -> Finding:
    """An open finding as it stood at an earlier moment, as nearly as its counts tell.

    Only one that is older than what is ever restated comes here from later; its counts are
    taken back in proportion to its age.
    """
    if not errand.is_late or finding.updated_ms <= at_ms:
        return replace(finding, cleared_ms=None)
    share = max(0, at_ms - finding.since_ms) / max(1, finding.updated_ms - finding.since_ms)
    return replace(
        finding,
        cleared_ms=None,
        windows_seen=round(finding.windows_seen * share),
        windows_evaluable=round(finding.windows_evaluable * share),
        windows_flagged=round(finding.windows_flagged * share),
        updated_ms=at_ms,
    )


def _lasting(connection: Connection, placed: Placed, at_ms: int) -> dict[Key, int]:
    """What was said of the teams' devices within the time for which it need not be said again."""
    said: dict[Key, int] = {}
    for device in placed.layout.devices:
        for kept in events.listing(connection, device=device, since_ms=at_ms - ANEW_MS, limit=LASTING_AT_MOST).items:
            event = kept.event
            if event.at_ms <= at_ms:
                said.setdefault((event.device, event.port, event.kind), event.at_ms)
    return said


def _rebuilt(
    connection: Connection, placed: Placed, rules: tuple[Rule, ...], at_ms: int, told: list[Finding]
) -> LifeState:
    width_ms = _width_ms(rules)
    table = rule_table(rules, placed.layout.teams, width_ms)
    from_ms = at_ms - memory_windows(table) * width_ms
    kept = windows.read_many(connection, placed.team_ids, from_ms, at_ms, width_ms)
    members = windows.by_layout(kept, placed)
    teams = team_windows(members, placed.layout, table)
    return rebuilt(teams, placed.layout, table, told, members)


def bearing_on(connection: Connection, placed: Placed, span: Span) -> tuple[Samples, FactsTable]:
    """The samples that bear on a span, with facts as positions in the table read along with them."""
    return facts.pointed(connection, samples.between(connection, placed.port_ids, *reach(span)))


def _kept_before(connection: Connection, errand: Errand, span: Span) -> windows.Kept:
    to_ms = min(span.end_ms, errand.decided_ms)
    return windows.read_many(connection, errand.team_ids, span.first_ms, to_ms, span.width_ms)


def _width_ms(rules: tuple[Rule, ...]) -> int:
    return rules[0].window_seconds * 1000
