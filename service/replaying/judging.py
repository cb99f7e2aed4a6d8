"""One errand of a replay: the days of some devices judged under two rulings, findings carried over midnight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from service.errors import ServiceError
from service.replaying.history import History, Past, days
from service.replaying.ruling import Ruling
from service.rules.assess import Run, assess, decided
from service.rules.state import LifeState
from service.terms import Finding, MemberWindows, Rule, Span, TeamWindows


@dataclass(frozen=True)
class Trial:
    """Which two rulings are compared, and over which time, half-open."""

    present: Ruling
    tried: Ruling
    first_ms: int
    end_ms: int


@dataclass(frozen=True)
class Errand:
    """Some devices whose past is judged; it may be done in another process, and again."""

    history: History
    trial: Trial


@dataclass(frozen=True)
class Outcome:
    """What came of an errand: the findings under either ruling, and counts; `refused` where it could not be done."""

    present: tuple[Finding, ...] = ()
    tried: tuple[Finding, ...] = ()
    teams: int = 0
    windows: int = 0
    evaluable: int = 0
    refused: str = ""


def replayed(errand: Errand) -> Outcome:
    """Do an errand. What is refused is said in the outcome: an error of ours loses its words between processes."""
    try:
        return _replayed(errand)
    except ServiceError as refused:
        return Outcome(refused=str(refused))


def _replayed(errand: Errand) -> Outcome:
    history, trial = errand.history, errand.trial
    teams = history.layout.teams
    present, tried = _Course(trial.present.of(teams)), _Course(trial.tried.of(teams))
    if _measure_alike(present.rules, tried.rules):
        for span in days(trial.first_ms, trial.end_ms, trial.present.width_ms):
            past = history.past(span)
            tried.follow(history, span, past, present.follow(history, span, past))
    else:
        for course, width_ms in ((present, trial.present.width_ms), (tried, trial.tried.width_ms)):
            for span in days(trial.first_ms, trial.end_ms, width_ms):
                course.follow(history, span, history.past(span))
    return Outcome(present.findings(), tried.findings(), len(teams), present.windows, present.evaluable)


def _measure_alike(present: tuple[Rule, ...], tried: tuple[Rule, ...]) -> bool:
    """Whether members measured under one ruling are those of the other: the lines alone differ."""
    return [(r.window_seconds, r.coverage_min) for r in present] == [(r.window_seconds, r.coverage_min) for r in tried]


@dataclass
class _Course:
    """Where one ruling stands after the days so far."""

    rules: tuple[Rule, ...]
    life: LifeState | None = None
    known: dict[str, Finding] = field(default_factory=dict)
    windows: int = 0
    evaluable: int = 0

    def follow(self, history: History, span: Span, past: Past, measured: MemberWindows | None = None) -> MemberWindows:
        """Judge one more stretch, whose members may be measured already; the members' windows."""
        run = Run(
            samples=past.samples,
            facts=past.facts,
            layout=history.layout,
            rules=self.rules,
            span=span,
            life=self.life,
            open=self._open(),
            now_ms=span.end_ms,
            speeds=past.speeds,
            far_bps=past.far_bps,
            roles=past.roles,
        )
        members = past.members if measured is None else measured
        if members is None:
            assessed = assess(run)
            members = assessed.members
            self._take(assessed.life, assessed.findings, assessed.teams)
        else:
            came = decided(run, members)
            self._take(came.life, came.findings, came.teams)
        return members

    def findings(self) -> tuple[Finding, ...]:
        """All that were raised, as they stand at the end."""
        return tuple(sorted(self.known.values(), key=lambda finding: (finding.raised_ms, finding.id)))

    def _open(self) -> Mapping[str, Finding]:
        return {id_: finding for id_, finding in self.known.items() if finding.cleared_ms is None}

    def _take(self, life: LifeState, found: tuple[Finding, ...], teams: TeamWindows) -> None:
        self.life = life
        self.known.update((finding.id, finding) for finding in found)
        self.windows += teams.evaluable.size
        self.evaluable += int(np.count_nonzero(teams.evaluable))
