"""What a device says of its teams, kept, weighed against what people declared, and made into what is polled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection

from service.collection.cautions import cautions
from service.feeds.snmp.discovery import claims_of, discovered
from service.feeds.snmp.plan import PollPlan, plan_of
from service.feeds.snmp.readings import changed_marks, statuses
from service.rules.reconcile import reconciled
from service.storage import claims, events, inventory, membership
from service.storage.claims import Changed
from service.terms import DECLARED, Claim, DataEvent, Reply

FEED = "snmp"
MEMBERS_CHANGED = "members-changed"


class Walked(NamedTuple):
    """The rows of a device's tables, by identifier."""

    device: str
    rows: Mapping[str, Any]

    @classmethod
    def of(cls, device: str, replies: Sequence[Reply]) -> Walked:
        """The rows of all replies of a walk."""
        return cls(device, {oid: value for reply in replies for oid, value in reply.values.items()})


class Settled(NamedTuple):
    """What is polled of a device, and what deviates from the standards in what it says.

    `marks` and `statuses` are those of the walk, so that the first poll after it shows what
    changed since; `is_news` says whether the device says anything else of teams or roles than before.
    """

    plan: PollPlan
    notes: tuple[str, ...]
    marks: tuple[int, ...] = ()
    statuses: tuple[Any, ...] = ()
    is_news: bool = False


def settle(connection: Connection, walked: Walked, interval_ms: int, now_ms: int) -> Settled:
    """Keep what a device says of its ports now, and say what to poll; ports and memberships follow."""
    found = discovered(walked.device, walked.rows)
    before = claims.of_devices(connection, [walked.device])
    said = claims_of(found)
    changed = claims.replace_discovered(connection, walked.device, said, now_ms)
    declared = [claim for claim in before if claim.said_by == DECLARED]
    believed = reconciled([*declared, *said])
    seats = {one.port: (one.team, one.role) for one in believed}
    plan = plan_of(found, seats=seats, extra=[claim.port for claim in declared], rows=walked.rows)
    inventory.resolve(connection, plan.ports, feed=FEED, now_ms=now_ms, register_teamless=True)
    membership.follow(connection, walked.device, believed, now_ms)
    if len(declared) < len(before):  # at the first contact everything is new
        events.keep(connection, _told(changed, before, now_ms))
    notes = (*found.notes, *plan.notes, *cautions(found, plan, interval_ms))
    told = (Reply(now_ms, now_ms, dict(walked.rows)),)
    return Settled(plan, notes, changed_marks(told), statuses(plan, told), bool(changed))


def _told(changed: Changed, before: Sequence[Claim], now_ms: int) -> list[DataEvent]:
    """An event for each port that joined or left a team."""
    team_before = {claim.port: claim.team for claim in before if claim.said_by != DECLARED}
    now = [(claim.device, claim.port, claim.team) for claim in (*changed.added, *changed.moved)]
    now += [(claim.device, claim.port, "") for claim in changed.gone]
    return [
        DataEvent(device, port, now_ms, MEMBERS_CHANGED, _words(team_before.get(port, ""), team))
        for device, port, team in now
        if team_before.get(port, "") != team
    ]


def _words(before: str, now: str) -> str:
    left = f"left team {before}" if before else ""
    joined = f"joined team {now}" if now else ""
    said = " and ".join(part for part in (left, joined) if part)
    return f"the device says that this port {said}; nothing to do if that was meant"
