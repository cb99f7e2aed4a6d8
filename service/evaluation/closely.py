"""A close look at one team: begun and ended by people, and worked out anew from kept samples whenever it is asked for.

Nothing that it shows is kept: decided windows, findings and recorded verdicts are as if nobody looked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, Engine

from service.errors import NotFound, WrongState
from service.evaluation import declared
from service.evaluation.piece import bearing_on
from service.evaluation.plan import Policy
from service.numerics.silence import usual_gap
from service.rules.assess import Assessment, Run, assess
from service.rules.closely import Followed, View, followed
from service.storage import agents, audit, changes, close_looks, database, inventory
from service.storage.agents import Polling
from service.storage.close_looks import CloseLook
from service.storage.inventory import Placed, Team
from service.terms import DIRECTIONS, Change, FactsTable, Samples, Span

WIDTHS_S = (5, 10, 15)
MOST_MINUTES = 60
MINUTE_MS = 60_000
# The distance between samples is that of the last of them; another interval is in force soon.
LATELY_MS = 60_000
# Polls come some ms early or late; a window as long as their distance holds one all the same.
NEARLY = 0.9
CAUTIONS = (
    "heavy traffic only on links you own or have leave for, at an agreed time and with an agreed end;"
    " it takes room from everybody else on them",
    "what is changed is changed by you, under your own change control; this page changes nothing",
    "stop at the first harm to others; whoever answers for the links decides",
)


@dataclass(frozen=True)
class Pace:
    """How often samples of the team come: as asked for, as reached, None where nobody can tell."""

    feed: str
    asked_ms: int | None
    reached_ms: int | None
    newest_ms: int | None
    polling: Polling | None


@dataclass(frozen=True)
class Looked:
    """What a close look shows now. `view` is in the windows asked for, None while there is no whole one.

    `compared_ms` is how wide the windows are in which changes are followed: no narrower than samples come.
    """

    team: Team
    look: CloseLook
    lasts: bool
    pace: Pace
    view: View | None
    compared_ms: int
    followed: tuple[tuple[Followed, ...], ...]  # by direction


def begin(engine: Engine, look: CloseLook, policy: Policy) -> CloseLook:
    """Begin to look at a team in place of any look at it before; WrongState where that cannot be."""
    if policy.width_ms % look.width_ms:
        raise WrongState(f"windows of {look.width_ms // 1000} s do not divide those of {policy.width_ms // 1000} s")

    def work(connection: Connection) -> None:
        inventory.team(connection, look.team_id)
        close_looks.begin(connection, look)
        told = {"seconds": look.width_ms // 1000, "until_ms": look.until_ms}
        audit.note(connection, look.from_ms, look.who, "close-look.begin", str(look.team_id), told)

    database.retried(engine, work)
    return look


def end(engine: Engine, team_id: int, by: str, now_ms: int) -> None:
    """End the look at a team; NotFound where there is none that lasts."""

    def work(connection: Connection) -> None:
        inventory.team(connection, team_id)
        if not close_looks.end(connection, team_id, now_ms):
            raise NotFound("close look that lasts at team", str(team_id))
        audit.note(connection, now_ms, by, "close-look.end", str(team_id))

    database.retried(engine, work)


def looked(connection: Connection, team_id: int, policy: Policy, now_ms: int) -> Looked:
    """What the last look at a team shows; NotFound where there is none."""
    team = inventory.team(connection, team_id)
    look = close_looks.of_team(connection, team_id)
    if look is None:
        raise NotFound("close look at team", str(team_id))
    placed = inventory.layout(connection, [team_id])
    span = _span(look, now_ms)
    read, table = _read(connection, placed, span)
    pace = _pace(connection, team, look, read)
    seen = _Seen(connection, placed, policy, read, table)
    view = seen.view(_up_to(span, pace)) if len(placed.team_ids) else None
    compared_ms = _sound_ms(look.width_ms, pace.reached_ms)
    wider = view if compared_ms == look.width_ms or view is None else seen.view(_wider(view.span, compared_ms))
    made = [] if wider is None else changes.of_teams(connection, [team_id], look.from_ms, look.until_ms)
    told = tuple(_followed(wider, way, made) for way in range(len(DIRECTIONS)))
    return Looked(team, look, look.lasts(now_ms), pace, view, compared_ms, told)


@dataclass(frozen=True)
class _Seen:
    """What narrow windows of any width are worked out of."""

    connection: Connection
    placed: Placed
    policy: Policy
    samples: Samples
    facts: FactsTable

    def view(self, span: Span) -> View | None:
        """The team in the windows of a span, None of none."""
        if span.count < 1:
            return None
        name = self.placed.layout.teams[0]
        rule = self.policy.rules_for(name.device, name.team)
        return View.of(self._assessed(span), self.placed.layout, rule)

    def _assessed(self, span: Span) -> Assessment:
        layout, policy = self.placed.layout, self.policy
        said = declared.of(self.connection, layout, policy, span.end_ms)
        rules = tuple(policy.rules_for(team.device, team.team) for team in layout.teams)
        return assess(
            Run(
                samples=self.samples,
                facts=self.facts,
                layout=layout,
                rules=rules,
                span=span,
                now_ms=span.end_ms,
                speeds=policy.speeds(layout),
                far_bps=said.far_bps,
                roles=said.roles(self.samples, self.facts),
                broken=said.broken,
            )
        )


def _span(look: CloseLook, now_ms: int) -> Span:
    first_ms = look.from_ms // look.width_ms * look.width_ms
    until_ms = min(now_ms, look.until_ms)
    return Span(first_ms, max(0, (until_ms - first_ms) // look.width_ms), look.width_ms)


def _read(connection: Connection, placed: Placed, span: Span) -> tuple[Samples, FactsTable]:
    # Wide enough for the windows in which changes are followed as well.
    wide = Span(span.first_ms, max(1, span.count), span.width_ms)
    return bearing_on(connection, placed, wide)


def _pace(connection: Connection, team: Team, look: CloseLook, read: Samples) -> Pace:
    polling = next((one for one in agents.listing(connection) if one.device == team.device), None)
    if not len(read):
        return Pace("snmp" if polling else "push", polling.interval_ms if polling else None, None, None, polling)
    newest_ms = int(read.at_ms.max())
    order = np.lexsort((read.at_ms, read.port))
    lately = order[read.at_ms[order] > newest_ms - LATELY_MS]
    gap_ms = usual_gap(read.port[lately], read.at_ms[lately]) or None
    asked_ms = polling.interval_ms if polling else None
    return Pace("snmp" if polling else "push", asked_ms, gap_ms, newest_ms, polling)


def _up_to(span: Span, pace: Pace) -> Span:
    """The windows up to the newest sample: of those after it nobody knows anything yet."""
    if pace.newest_ms is None:
        return Span(span.first_ms, 0, span.width_ms)
    whole = (pace.newest_ms - span.first_ms) // span.width_ms
    return Span(span.first_ms, max(0, min(span.count, whole)), span.width_ms)


def _sound_ms(width_ms: int, reached_ms: int | None) -> int:
    """The narrowest windows, no narrower than asked for, that hold a sample each."""
    widths = [*(1000 * width for width in WIDTHS_S), 30_000]
    return next((w for w in widths if w >= width_ms and w >= NEARLY * (reached_ms or 0)), widths[-1])


def _wider(span: Span, width_ms: int) -> Span:
    first_ms = -(-span.first_ms // width_ms) * width_ms
    return Span(first_ms, max(0, (span.end_ms - first_ms) // width_ms), width_ms)


def _followed(view: View | None, way: int, made: Sequence[changes.Seen]) -> tuple[Followed, ...]:
    mine: list[Change] = [one.change for one in made if one.line.direction == DIRECTIONS[way]]
    return followed(view, way, mine) if view is not None and mine else ()
