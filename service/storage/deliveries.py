"""Messages owed to routes: written with the finding they tell of, sent in order, kept until taken or given up.

Order holds among the messages of one finding to one route: the second waits until the first is
settled. Where the first says that something was raised and could not be delivered before it was
over, all up to `cleared` become one: the earlier ones are `combined`, and `cleared` is handed out
with their bodies. What is `held` waits for the end of a quiet time; `untold` is what began and ended
within one. What was told together with others is `combined`, and `told_with` names the message that told of it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, and_, case, delete, func, insert, or_, select, update

from service.errors import NotFound, WrongQuestion
from service.storage import cursors, tables
from service.storage.dialects import among, serialise

OWED, TAKEN, GIVEN_UP, COMBINED, HELD, UNTOLD = STATES = ("owed", "taken", "given-up", "combined", "held", "untold")
RAISED, CLEARED = "raised", "cleared"
CLAIM_LOCK = 6_207_114_514
FAILING_AFTER_MS = 5 * 60_000
DAY_MS = 86_400_000
# Clocks of machines differ by less, and no claim lasts for longer: what goes beyond was written before a clock was set.
SKEW_MS, LONGEST_CLAIM_MS = 60_000, 3_600_000
_table = tables.deliveries


@dataclass(frozen=True)
class Owed:
    """A message to be owed; `finding_id` is None for one of no single finding. Those of one `group_key` are alike."""

    id: str
    finding_id: str | None
    route: str
    what: str
    body: str
    created_ms: int
    group_key: str = ""


@dataclass(frozen=True)
class Delivery:
    """A message with what became of it so far; `earlier` holds the bodies that a combined one stands for as well."""

    id: str
    finding_id: str | None
    route: str
    what: str
    position: int
    created_ms: int
    state: str
    attempts: int
    next_attempt_ms: int
    settled_ms: int | None
    last_outcome: str
    body: str
    group_key: str = ""
    told_with: str = ""
    earlier: tuple[str, ...] = ()

    @property
    def is_combined(self) -> bool:
        """Whether this one also tells what earlier ones could not."""
        return bool(self.earlier)


class Waiting(NamedTuple):
    """How much is owed, and since when the oldest of it."""

    messages: int
    oldest_ms: int | None


class Failing(NamedTuple):
    """On how many routes messages are not taken, since when, how many wait and how many were given up in a day."""

    routes: int
    since_ms: int
    waiting: int
    given_up: int


COLUMNS = tuple(_table.c[name] for name in Delivery.__dataclass_fields__ if name != "earlier")


def owe(connection: Connection, rows: Sequence[Owed], *, hold_ms: int = 0, held_until_ms: int | None = None) -> int:
    """Owe messages, each after those already owed of its finding and route; how many were new.

    None is handed out before `hold_ms` have passed since it was made; where there is a `held_until_ms`, none before
    somebody lets go of them, which is due then.
    """
    there = set(connection.scalars(select(_table.c.id).where(among(connection, _table.c.id, [row.id for row in rows]))))
    new = list({row.id: row for row in rows if row.id not in there}.values())
    for row in new:
        told = _told(row) | {"next_attempt_ms": row.created_ms + hold_ms}
        if held_until_ms is not None:
            told |= {"state": HELD, "next_attempt_ms": held_until_ms}
        connection.execute(insert(_table).values(**told, position=_next_position(row)))
    return len(new)


def claim(connection: Connection, now_ms: int, claim_ms: int, limit: int = 100) -> tuple[Delivery, ...]:
    """The messages that are due, the longest due first, claimed for a time: nobody else is handed them until then.

    Counts an attempt for each. Whoever claims and then dies has the claim run out.
    """
    # Claims are short and without network: taking them one at a time spares every question of who locks what first.
    serialise(connection, CLAIM_LOCK)
    _combine(connection, now_ms)
    due = [_delivery(row) for row in connection.execute(_heads(now_ms).limit(limit))]
    until = now_ms + claim_ms
    connection.execute(
        update(_table)
        .where(among(connection, _table.c.id, [one.id for one in due]))
        .values(attempts=_table.c.attempts + 1, next_attempt_ms=until, claimed_until_ms=until)
    )
    return tuple(
        replace(one, attempts=one.attempts + 1, next_attempt_ms=until, earlier=_earlier(connection, one)) for one in due
    )


def put_off(connection: Connection, delivery_id: str, until_ms: int, outcome: str) -> None:
    """Note that an attempt failed, and when to make the next."""
    _settle(connection, delivery_id, next_attempt_ms=until_ms, last_outcome=outcome)


def not_tried(connection: Connection, delivery_id: str, until_ms: int, outcome: str) -> None:
    """Note that a message was claimed and not tried after all, which is no attempt of its own."""
    _settle(
        connection,
        delivery_id,
        next_attempt_ms=until_ms,
        last_outcome=outcome,
        attempts=case((_table.c.attempts > 0, _table.c.attempts - 1), else_=0),
    )


def taken(connection: Connection, delivery_id: str, at_ms: int, outcome: str = "") -> None:
    """Note that the receiver took a message."""
    _settle(connection, delivery_id, state=TAKEN, settled_ms=at_ms, last_outcome=outcome)


def given_up(connection: Connection, delivery_id: str, at_ms: int, outcome: str) -> None:
    """Put a message on the list of those given up."""
    _settle(connection, delivery_id, state=GIVEN_UP, settled_ms=at_ms, last_outcome=outcome)


def owe_again(connection: Connection, delivery_id: str, now_ms: int) -> None:
    """Owe a message that was given up once more, with its attempts counted anew; NotFound where none is given up."""
    done = connection.execute(
        update(_table)
        .where(_table.c.id == delivery_id, _table.c.state == GIVEN_UP)
        .values(state=OWED, attempts=0, next_attempt_ms=now_ms, settled_ms=None)
    )
    if done.rowcount == 0:
        raise NotFound("given-up delivery", delivery_id)


def leave_to(connection: Connection, finding_id: str, other_id: str, now_ms: int) -> int:
    """Leave what is owed of a finding and not on its way to the messages of another; how many that were."""
    done = connection.execute(
        update(_table)
        .where(_table.c.finding_id == finding_id, _table.c.state.in_((OWED, HELD)), unclaimed(_table, now_ms))
        .values(state=COMBINED, settled_ms=now_ms, claimed_until_ms=None, last_outcome=f"told with {other_id}")
    )
    return done.rowcount


def fold(connection: Connection, ids: Collection[str], into: str, now_ms: int) -> None:
    """Leave messages that are owed or held to another one, which tells what they would."""
    told = {"state": COMBINED, "settled_ms": now_ms, "told_with": into, "last_outcome": f"told with {into}"}
    where = among(connection, _table.c.id, sorted(ids)), _table.c.state.in_((OWED, HELD))
    connection.execute(update(_table).where(*where).values(told))


OVER = "began and ended within a quiet time"


def leave_untold(connection: Connection, finding_id: str, now_ms: int, why: str = OVER) -> int:
    """Tell nobody any more what is held of a finding; how many messages that were."""
    told = {"state": UNTOLD, "settled_ms": now_ms, "last_outcome": why}
    where = _table.c.finding_id == finding_id, _table.c.state == HELD
    return connection.execute(update(_table).where(*where).values(told)).rowcount


def waiting(connection: Connection) -> Waiting:
    """What is still owed."""
    query = select(func.count(), func.min(_table.c.created_ms)).where(_table.c.state == OWED)
    return Waiting(*connection.execute(query).one())


def failing(connection: Connection, now_ms: int) -> Failing | None:
    """What receivers have not taken for minutes, and what was given up within a day; None where all is well."""
    stuck = and_(_table.c.state == OWED, _table.c.attempts > 0, _table.c.created_ms <= now_ms - FAILING_AFTER_MS)
    lost = given_up_lately(now_ms)
    columns = (
        func.count(_table.c.route.distinct()),
        func.min(_table.c.created_ms),
        func.count().filter(stuck),
        func.count().filter(lost),
    )
    told = Failing(*connection.execute(select(*columns).where(or_(stuck, lost))).one())
    return told if told.routes else None


def given_up_lately(now_ms: int) -> ColumnElement[bool]:
    """Whether a message was given up within a day."""
    lately: ColumnElement[bool] = and_(_table.c.state == GIVEN_UP, _table.c.settled_ms > now_ms - DAY_MS)
    return lately


def forget_before(connection: Connection, before_ms: int, limit: int) -> int:
    """Remove messages that were settled so long ago, but for those of findings that are open; how many."""
    opened = select(tables.findings.c.id).where(tables.findings.c.cleared_ms.is_(None))
    of_open = and_(_table.c.finding_id.is_not(None), _table.c.finding_id.in_(opened))
    old = select(_table.c.id).where(_table.c.settled_ms < before_ms, ~of_open).limit(limit)
    return connection.execute(delete(_table).where(_table.c.id.in_(old))).rowcount


def listing(
    connection: Connection,
    *,
    state: str | None = None,
    finding_id: str | None = None,
    cursor: str | None = None,
    limit: int = 100,
) -> cursors.Page[Delivery]:
    """Messages, the newest first."""
    query = select(*COLUMNS).order_by(_table.c.created_ms.desc(), _table.c.id).limit(limit + 1)
    if state is not None:
        if state not in STATES:
            raise WrongQuestion("state", f"is one of {', '.join(STATES)}, not {state!r}")
        query = query.where(_table.c.state == state)
    if finding_id is not None:
        query = query.where(_table.c.finding_id == finding_id)
    if cursor is not None:
        created_ms, delivery_id = cursors.read(cursor, int, str)
        same = and_(_table.c.created_ms == created_ms, _table.c.id > delivery_id)
        query = query.where(or_(_table.c.created_ms < created_ms, same))
    found = [_delivery(row) for row in connection.execute(query)]
    return cursors.page(found, limit, [(one.created_ms, one.id) for one in found])


def _told(row: Owed) -> dict[str, Any]:
    return {
        "id": row.id,
        "finding_id": row.finding_id,
        "route": row.route,
        "what": row.what,
        "body": row.body,
        "created_ms": row.created_ms,
        "state": OWED,
        "group_key": row.group_key,
    }


def _next_position(row: Owed) -> Any:
    earlier = _table.alias()
    of_finding = (earlier.c.finding_id == row.finding_id) & (earlier.c.route == row.route)
    return select(func.coalesce(func.max(earlier.c.position), 0) + 1).where(of_finding).scalar_subquery()


def _delivery(row: Any) -> Delivery:
    return Delivery(*row)


def unclaimed(table: Any, now_ms: int) -> ColumnElement[bool]:
    """Whether nobody is sending a message right now."""
    until = table.c.claimed_until_ms
    free: ColumnElement[bool] = or_(until.is_(None), until <= now_ms, until > now_ms + LONGEST_CLAIM_MS)
    return free


def _combine(connection: Connection, now_ms: int) -> None:
    """Let `cleared` stand for what was to be told before it, unless some of that is on its way right now."""
    raised, later, busy = _table.alias("raised"), _table.alias("later"), _table.alias("busy")
    of_raised = [later.c.finding_id == raised.c.finding_id, later.c.route == raised.c.route]
    in_flight = select(busy.c.id).where(
        busy.c.finding_id == raised.c.finding_id,
        busy.c.route == raised.c.route,
        busy.c.state == OWED,
        ~unclaimed(busy, now_ms),
    )
    query = (
        select(raised.c.finding_id, raised.c.route, func.max(later.c.position))
        .join(later, and_(*of_raised, later.c.position > raised.c.position))
        .where(raised.c.state == OWED, raised.c.what == RAISED, later.c.state == OWED, later.c.what == CLEARED)
        .where(~in_flight.exists())
        .group_by(raised.c.finding_id, raised.c.route)
    )
    for finding_id, route, position in connection.execute(query).all():
        connection.execute(
            update(_table)
            .where(_table.c.finding_id == finding_id, _table.c.route == route)
            .where(_table.c.state == OWED, _table.c.position < position)
            .values(state=COMBINED, settled_ms=now_ms, claimed_until_ms=None)
        )


def _heads(now_ms: int) -> Any:
    earlier = _table.alias("earlier")
    is_behind = (
        select(earlier.c.id)
        .where(earlier.c.finding_id == _table.c.finding_id, earlier.c.route == _table.c.route)
        .where(earlier.c.state == OWED, earlier.c.position < _table.c.position)
        .exists()
    )
    return (
        select(*COLUMNS)
        .where(_table.c.state == OWED, _is_due(now_ms), unclaimed(_table, now_ms), ~is_behind)
        .where(~_is_behind_a_group())
        .order_by(_table.c.next_attempt_ms, _table.c.created_ms, _table.c.id)
    )


def _is_due(now_ms: int) -> ColumnElement[bool]:
    """Whether the time has come, or never will because the clock was set back since the message was written."""
    due: ColumnElement[bool] = or_(
        _table.c.next_attempt_ms <= now_ms,
        _table.c.created_ms > now_ms + SKEW_MS,
        _table.c.claimed_until_ms > now_ms + LONGEST_CLAIM_MS,
    )
    return due


def _is_behind_a_group() -> ColumnElement[bool]:
    """Whether what was to be told of a finding before is part of a message that is still owed."""
    part, group = _table.alias("part"), _table.alias("together")
    told = select(part.c.id).join(group, group.c.id == part.c.told_with)
    of_finding = part.c.finding_id == _table.c.finding_id, part.c.route == _table.c.route
    behind: ColumnElement[bool] = told.where(*of_finding, group.c.state == OWED, group.c.id != _table.c.id).exists()
    return behind


def _earlier(connection: Connection, one: Delivery) -> tuple[str, ...]:
    if one.what != CLEARED:
        return ()
    query = (
        select(_table.c.body)
        .where(_table.c.finding_id == one.finding_id, _table.c.route == one.route, _table.c.state == COMBINED)
        .where(_table.c.position < one.position, _table.c.told_with == "")
        .order_by(_table.c.position)
    )
    return tuple(connection.scalars(query))


def _settle(connection: Connection, delivery_id: str, **told: Any) -> None:
    connection.execute(
        update(_table).where(_table.c.id == delivery_id, _table.c.state == OWED).values(claimed_until_ms=None, **told)
    )
