"""A heavy-traffic check held against kept samples; nothing is kept of it."""

from __future__ import annotations

from dataclasses import replace

from sqlalchemy import Connection

from service.errors import WrongState
from service.evaluation import declared
from service.evaluation.plan import Policy
from service.rules.assess import Run, assess
from service.rules.trials.outcome import Trial
from service.rules.trials.plan import Changed, Plan
from service.rules.trials.trial import LOOK_AHEAD_MS, LOOK_BACK_MS, Place, of_assessment
from service.storage import changes, facts, inventory, items, samples
from service.storage.inventory import Placed
from service.terms import DIRECTIONS, FactsTable, Item, Samples, Span


def evaluated(connection: Connection, plan: Plan, policy: Policy, now_ms: int) -> Trial:
    """What came of a plan as far as samples are kept; NotFound without the team, WrongState without members.

    Changes that the plan does not name are those that were recorded for the team within the check.
    """
    team_id = inventory.team_named(connection, plan.device, plan.team)
    placed = inventory.layout(connection, [team_id])
    if not len(placed.team_ids):
        raise WrongState(f"team {plan.team!r} of {plan.device!r} has no members now; declare or discover them first")
    plan = plan if plan.changes else replace(plan, changes=_recorded(connection, plan, team_id))
    read, table = _read(connection, placed, plan, policy.width_ms)
    said = declared.of(connection, placed.layout, policy, now_ms)
    speeds = policy.speeds(placed.layout)
    run = Run(
        samples=read,
        facts=table,
        layout=placed.layout,
        rules=tuple(policy.rules_for(team.device, team.team) for team in placed.layout.teams),
        span=_span(plan, policy.width_ms),
        now_ms=now_ms,
        speeds=speeds,
        far_bps=said.far_bps,
        roles=said.roles(read, table),
    )
    return of_assessment(plan, assess(run), Place(placed.layout, 0, speeds), _items(connection, placed, plan))


def _span(plan: Plan, width_ms: int) -> Span:
    first_ms = (plan.begin_ms - LOOK_BACK_MS) // width_ms * width_ms
    return Span(first_ms, -(-(plan.end_ms + LOOK_AHEAD_MS - first_ms) // width_ms), width_ms)


def _read(connection: Connection, placed: Placed, plan: Plan, width_ms: int) -> tuple[Samples, FactsTable]:
    span = _span(plan, width_ms)
    # One poll more on either side ends the intervals that reach over the edges.
    found = samples.between(connection, placed.port_ids, span.first_ms - 2 * width_ms, span.end_ms + 2 * width_ms)
    return facts.pointed(connection, found)


def _recorded(connection: Connection, plan: Plan, team_id: int) -> tuple[Changed, ...]:
    seen = changes.of_teams(connection, [team_id], plan.begin_ms, plan.end_ms)
    return tuple(Changed(one.change.at_ms, one.change.what) for one in seen if one.line.direction == plan.direction)


def _items(connection: Connection, placed: Placed, plan: Plan) -> tuple[Item, ...]:
    way = DIRECTIONS.index(plan.direction)
    return items.of_ports(connection, placed.port_ids.tolist(), way, *plan.fullest()).items
