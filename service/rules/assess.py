"""From samples to findings: the one road that `check`, live evaluation and replay all take."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from service.numerics.clocks import offsets
from service.numerics.intervals import intervals
from service.numerics.order import Rows, in_order
from service.numerics.repeats import without_repeats
from service.numerics.speeds import coarse_stamps
from service.numerics.windows import member_windows, without_doubtful
from service.rules import events, findings, unfit
from service.rules.counted import hot_lines, undecided
from service.rules.doubting import doubted, still_doubted
from service.rules.events import Around
from service.rules.findings import Scene, Told
from service.rules.hearing import silent
from service.rules.kinds import team_windows
from service.rules.life import LifeState, advance, fresh, rebuilt
from service.rules.speeds import as_set
from service.rules.table import rule_table
from service.terms import (
    UNKNOWN,
    Bytes,
    Codes,
    DataEvent,
    FactsTable,
    Finding,
    Intervals,
    Ints,
    Layout,
    MemberWindows,
    Rule,
    Samples,
    Span,
    TeamWindows,
    Truths,
)

__all__ = ["Assessment", "Decided", "Run", "Told", "assess", "decided", "rebuilt"]


@dataclass(frozen=True)
class Run:
    """What is to be assessed: samples that bear on a span, and where things stood before it.

    Samples may lie before and after the span, in any order and more than once: those before it
    tell how fast a source refreshes and how far its clock is off, those just after it end the
    intervals that reach over its end. `life` and `open` are what the run before left. `speeds`
    (n_ports,) are those that an operator set, in bit/s, 0 where nobody did; `far_bps` (n_ports,)
    those that far ends of cables tell, and `roles` (n_ports,) those that are declared to override,
    likewise; `broken` (n_ports,) what the states of bundles say against members, as positions in
    `bundle_states.NAMES`. `now_ms` is up to when sources could have been heard.
    """

    samples: Samples
    facts: FactsTable
    layout: Layout
    rules: tuple[Rule, ...]
    span: Span
    life: LifeState | None = None
    open: Mapping[str, Finding] = field(default_factory=dict)
    now_ms: int = 0
    before: Samples | None = None
    speeds: Ints | None = None
    far_bps: Ints | None = None
    roles: Bytes | None = None
    broken: Bytes | None = None


@dataclass(frozen=True)
class Assessment:
    """What was found. `findings` are all that were open in the span, as they stand at its end.

    `intervals` are rows of `samples`: the readings that were used, in order of port and time.
    `facts` is the table that both point into, `around` what was found of the sources.
    """

    samples: Samples
    intervals: Intervals
    facts: FactsTable
    members: MemberWindows
    teams: TeamWindows
    findings: tuple[Finding, ...]
    steps: tuple[Told, ...]
    events: tuple[DataEvent, ...]
    life: LifeState
    duplicates: int
    conflicts: int
    around: Around = field(default_factory=Around)


def assess(run: Run) -> Assessment:
    """Assess a span; two spans one after the other, with what the first left, give what both at once give.

    The one exception is hindsight: a speed that proves false in a run is not believed in all of it.
    """
    run = _as_set(run)
    ordered = in_order(run.samples)
    used, refresh_ms = without_repeats(ordered.samples, run.layout, run.facts)
    shift_ms = offsets(used, run.layout.device_of_port)
    told = intervals(used, run.facts, run.before, shift_ms=shift_ms, window_ms=run.span.width_ms)
    members, doubtful = _measured(run, told, coarse_stamps(used, len(run.layout.ports)))
    came = decided(run, members)
    members = came.members
    around = Around(
        refresh_ms={int(device): int(refresh_ms[device]) for device in np.flatnonzero(refresh_ms)},
        offset_ms=_off(run, used, shift_ms),
        doubtful=np.flatnonzero(doubtful).tolist(),
        conflicts=_conflicts(run, ordered.conflicts),
        undecided=undecided(members, told, run.facts, hot_lines(run.layout, run.rules)),
        silent=silent(ordered.samples, run.layout, run.span, run.now_ms),
        misbuilt=unfit.misbuilt(members, run.broken),
    )
    noted, noticed = _events(run, told, members, around)
    return Assessment(
        samples=used,
        intervals=told,
        facts=run.facts,
        members=members,
        teams=came.teams,
        findings=came.findings,
        steps=came.steps,
        events=noted,
        life=replace(came.life, noticed=noticed),
        duplicates=ordered.duplicates,
        conflicts=len(ordered.conflicts),
        around=around,
    )


@dataclass(frozen=True)
class Decided:
    """What windows of members came to, those that are unfit being marked; `findings` as in an Assessment."""

    members: MemberWindows
    teams: TeamWindows
    findings: tuple[Finding, ...]
    steps: tuple[Told, ...]
    life: LifeState


def decided(run: Run, members: MemberWindows) -> Decided:
    """Decide a span whose members were measured before, with the same width of windows and the same coverage.

    The samples of `run` are not looked at. Marks of figures that are uncertain stay those of the hot line
    under which they were measured.
    """
    table = rule_table(run.rules, run.layout.teams, run.span.width_ms)
    life, members, signs = unfit.marked(_set_out(run), members, run.layout, table, run.broken)
    teams = unfit.shown(team_windows(members, run.layout, table), signs)
    life, steps = advance(life, teams, table)
    found, said = findings.follow(Scene(run.layout, run.rules, members, teams), run.open, steps, life)
    return Decided(members, teams, found, said, life)


def _as_set(run: Run) -> Run:
    """The run with what people set, or far ends tell, in place of what ports claim."""
    run = replace(run, speeds=_if_any(run.speeds), far_bps=_if_any(run.far_bps))
    if run.speeds is None and run.far_bps is None and (run.roles is None or not run.roles.any()):
        return run
    speeds = np.zeros(len(run.layout.ports), dtype=np.int64) if run.speeds is None else run.speeds
    samples, facts = as_set(run.samples, run.facts, speeds, run.far_bps, run.roles)
    if run.before is None:
        return replace(run, samples=samples, facts=facts)
    before, facts = as_set(run.before, facts, speeds, run.far_bps, run.roles)
    return replace(run, samples=samples, facts=facts, before=before)


def _if_any(values: Ints | None) -> Ints | None:
    return values if values is not None and values.any() else None


def _set_out(run: Run) -> LifeState:
    """Where things stood before the span; findings that are open tell some of it where nothing else does."""
    if run.life is not None:
        return run.life
    if run.open:
        return LifeState.seeded(run.layout, run.open.values(), run.span.first_ms, run.span.width_ms)
    return fresh(len(run.layout.teams))


def _measured(run: Run, told: Intervals, coarse: Truths) -> tuple[MemberWindows, Truths]:
    """Every port in every window under the rule of its team, and the ports whose claimed speed proved false."""
    distinct, of_port = _lines(run)
    measured = [
        member_windows(told, run.facts, len(run.layout.ports), run.span, coverage_min=coverage, hot_above=hot)
        for coverage, hot in distinct
    ]
    windows = measured[0] if len(measured) == 1 else _joined(measured, of_port)
    proved = doubted(windows, told, run.facts, coarse)
    before = run.life.noticed if run.life is not None else events.Noticed()
    held = still_doubted(before, run.layout, run.span.first_ms)
    if run.far_bps is not None:  # what was doubted before may have been the port's own word
        held &= run.far_bps == 0
    false = proved | held
    if run.speeds is not None:  # who sets a speed answers for it
        proved, false = proved & (run.speeds == 0), false & (run.speeds == 0)
    return without_doubtful(windows, false), proved


def _lines(run: Run) -> tuple[list[tuple[float, float]], Codes]:
    """The different coverages and hot lines of the rules, and which of them each port has."""
    usual = Rule()
    distinct = {(usual.coverage_min, usual.hot_above): 0}
    of_port = np.zeros(len(run.layout.ports), dtype=np.int32)
    of_team = np.array([distinct.setdefault((r.coverage_min, r.hot_above), len(distinct)) for r in run.rules], int)
    if len(distinct) > 1:
        team = run.layout.team_of_port()
        of_port[team != UNKNOWN] = of_team[team[team != UNKNOWN]]
    return list(distinct), of_port


def _joined(measured: list[MemberWindows], of_port: Codes) -> MemberWindows:
    """Of several measurements of all ports, each port's own."""
    every = np.arange(len(of_port))
    arrays: dict[str, Any] = {
        name: np.stack([getattr(windows, name) for windows in measured])[of_port, every]
        for name in MemberWindows.__dataclass_fields__
        if name != "span"
    }
    return MemberWindows(span=measured[0].span, **arrays)


def _off(run: Run, used: Samples, shift_ms: Ints) -> dict[int, int]:
    """By how much the clock of each device is off at its newest sample, where it is."""
    rows = np.flatnonzero(shift_ms)
    rows = rows[np.argsort(used.at_ms[rows], kind="stable")]
    devices = run.layout.device_of_port[used.port[rows]]
    return dict(zip(devices.tolist(), shift_ms[rows].tolist(), strict=True))


def _conflicts(run: Run, rows: Rows) -> list[tuple[int, int]]:
    """Ports and instants of the span for which two different readings came."""
    at_ms = run.samples.at_ms[rows]
    here = rows[(at_ms > run.span.first_ms) & (at_ms <= run.span.end_ms)]
    return sorted({(int(run.samples.port[row]), int(run.samples.at_ms[row])) for row in here})


def _events(
    run: Run, told: Intervals, members: MemberWindows, around: Around
) -> tuple[tuple[DataEvent, ...], events.Noticed]:
    noticed = run.life.noticed if run.life is not None else events.Noticed()
    shown, noticed = events.of(told, run.facts, run.layout, members, noticed)
    found, noticed = events.around(around, run.span.end_ms, run.layout, noticed)
    return tuple(shown + found), noticed
