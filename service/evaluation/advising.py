"""Advice for findings that are kept, from the windows, claims and items of their time."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from sqlalchemy import Connection

from service.errors import WrongState
from service.evaluation import situations
from service.evaluation.plan import Policy
from service.rules.advice import sheet as sheets
from service.rules.advice.advising import advised
from service.rules.evidence import figures
from service.rules.situation import Situation
from service.storage import findings
from service.terms import Advice, ChangeSheet

NONE_TOLD: Mapping[str, int] = MappingProxyType({})


class Found(NamedTuple):
    """A finding's situation and the advice for it."""

    situation: Situation
    advice: Advice

    @property
    def heading(self) -> str:
        """What the advice is about, in a line."""
        finding = self.situation.finding
        return f"{finding.device}, team {finding.team}, {finding.direction}: {figures(finding)} ({finding.kind})"

    def sheet(self, option: str) -> ChangeSheet:
        """The change sheet of an option; NotFound without it, NoSheet where it must not be carried out."""
        return sheets.sheet(self.advice, option, self.situation)


def found(
    connection: Connection, finding_id: str, policy: Policy, now_ms: int, streams: Mapping[str, int] = NONE_TOLD
) -> Found:
    """What could be done about a finding; NotFound without it, WrongState where it is of no one team.

    `streams` says into how many alike conversations somebody can split an item.
    """
    situation = situation_of(connection, finding_id, policy, now_ms)
    return Found(situation, advised(situation, streams=streams))


def of_finding(
    connection: Connection, finding_id: str, policy: Policy, now_ms: int, streams: Mapping[str, int] = NONE_TOLD
) -> Advice:
    """The advice alone."""
    return found(connection, finding_id, policy, now_ms, streams).advice


def situation_of(connection: Connection, finding_id: str, policy: Policy, now_ms: int) -> Situation:
    """A finding with what is kept of its team; NotFound without it, WrongState where it is of no one team."""
    kept = findings.one(connection, finding_id)
    one_team = not kept.finding.teams
    situation = situations.of_finding(connection, kept.team_id, kept.finding, policy, now_ms) if one_team else None
    if situation is None:
        raise WrongState("advice is for one team with members; ask for that of a finding of one of its teams")
    return situation
