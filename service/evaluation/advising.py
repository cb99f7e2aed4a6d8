"""Advice for findings that are kept, from the windows, claims and items of their time."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from sqlalchemy import Connection

from service.errors import WrongState
from service.evaluation.plan import Policy
from service.rules.advice import sheet as sheets
from service.rules.advice.advising import advised
from service.rules.situation import FarEnd, Situation, cut, stretch
from service.storage import claims, findings, inventory, items, windows
from service.storage.findings import Kept
from service.storage.placing import Placed
from service.terms import DIRECTIONS, UNKNOWN, Advice, ChangeSheet

NONE_TOLD: Mapping[str, int] = MappingProxyType({})


def of_finding(
    connection: Connection,
    finding_id: str,
    policy: Policy,
    now_ms: int,
    streams: Mapping[str, int] = NONE_TOLD,
) -> Advice:
    """What could be done about a finding; NotFound without it, WrongState where it is of no one team.

    `streams` says into how many alike conversations somebody can split an item.
    """
    return advised(situation_of(connection, finding_id, policy, now_ms), streams=streams)


def sheet_of(  # noqa: PLR0913, PLR0917  # where, of what, by which rules, and what somebody states
    connection: Connection,
    finding_id: str,
    option: str,
    policy: Policy,
    now_ms: int,
    streams: Mapping[str, int] = NONE_TOLD,
) -> ChangeSheet:
    """The change sheet of an option; NotFound without it, NoSheet where it must not be carried out."""
    situation = situation_of(connection, finding_id, policy, now_ms)
    return sheets.sheet(advised(situation, streams=streams), option, situation)


def situation_of(connection: Connection, finding_id: str, policy: Policy, now_ms: int) -> Situation:
    """A finding with what is kept of its team; NotFound without it, WrongState where it is of no one team."""
    kept = findings.one(connection, finding_id)
    placed = inventory.layout(connection, [kept.team_id])
    if kept.finding.teams or not len(placed.team_ids):
        raise WrongState("advice is for one team with members; ask for that of a finding of one of its teams")
    return _situation(connection, kept, placed, policy, now_ms)


def _situation(connection: Connection, kept: Kept, placed: Placed, policy: Policy, now_ms: int) -> Situation:
    finding, team = kept.finding, placed.layout.teams[0]
    from_ms, to_ms = stretch(finding, policy.width_ms)
    seen = windows.by_layout(windows.read(connection, kept.team_id, from_ms, to_ms, policy.width_ms), placed)
    rows = [port for port in placed.layout.members[0].tolist() if port != UNKNOWN]
    ports = tuple(placed.layout.ports[port].port for port in rows)
    states, ends = claims.states(connection, [team.device]), claims.far_ends(connection, [team.device])
    way = DIRECTIONS.index(finding.direction)
    told = items.of_ports(connection, placed.port_ids[rows].tolist(), way, finding.since_ms, to_ms)
    return Situation(
        finding=finding,
        team=team,
        rule=policy.rules_for(team.device, team.team),
        ports=ports,
        windows=cut(seen, rows, from_ms, to_ms),
        states=tuple(states.get((team.device, port)) for port in ports),
        far_ends=tuple(FarEnd(*ends.get((team.device, port), ("", ""))) for port in ports),
        items=told.items,
        items_s=told.seconds,
        now_ms=now_ms,
    )
