"""Findings that nobody took though they were told of, and messages that nobody took though they were sent."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from sqlalchemy import Connection, and_, func, or_, select

from service.storage import bodies, tables
from service.storage.deliveries import COLUMNS, HELD, OWED, UNTOLD, Delivery, given_up_lately
from service.terms import Finding

_told, _found = tables.deliveries, tables.findings
# What begins the time that people have: what came after is no news of its own.
BEGINNINGS = ("raised", "severity", "unshelved")


class Waiting(NamedTuple):
    """A finding that nobody took, since when, and the message that told of it with others."""

    finding: Finding
    since_ms: int
    told_with: str


def untaken(  # noqa: PLR0913  # each told by its name
    connection: Connection, route: str, severities: Collection[str], before_ms: int, *, to: str, what: str, limit: int
) -> list[Waiting]:
    """Open findings of these severities that a route was told of by `before_ms`, that nobody took, shelved or closed.

    Left out is what `to` was told of as `what` since.
    """
    since = (
        select(_told.c.finding_id, func.max(_told.c.created_ms).label("ms"), func.max(_told.c.told_with).label("many"))
        .join(_found, _found.c.id == _told.c.finding_id)
        .where(_found.c.cleared_ms.is_(None), _found.c.operator_state == "none", _found.c.part_of == "")
        .where(_found.c.severity.in_(sorted(severities)), _told.c.route == route, _told.c.what.in_(BEGINNINGS))
        .where(_told.c.state.not_in((HELD, UNTOLD)))
        .group_by(_told.c.finding_id)
        .subquery()
    )
    known = _told.alias("known")
    passed = select(known.c.id).where(
        known.c.finding_id == since.c.finding_id,
        known.c.route == to,
        known.c.what == what,
        known.c.created_ms >= since.c.ms,
    )
    query = (
        select(_found.c.body, since.c.ms, since.c.many)
        .join(since, since.c.finding_id == _found.c.id)
        .where(since.c.ms <= before_ms, ~passed.exists())
        .order_by(since.c.ms, _found.c.id)
        .limit(limit)
    )
    return [Waiting(bodies.read(body), since_ms, many) for body, since_ms, many in connection.execute(query)]


def unheard(connection: Connection, route: str, before_ms: int, now_ms: int, limit: int) -> tuple[Delivery, ...]:
    """Messages owed to a route since `before_ms` or earlier and tried in vain, and what was given up within a day."""
    table = _told.c
    stuck = and_(table.state == OWED, table.attempts > 0, table.created_ms <= before_ms)
    query = (
        select(*COLUMNS)
        .where(table.route == route, or_(stuck, given_up_lately(now_ms)))
        .order_by(table.created_ms, table.id)
    )
    return tuple(Delivery(*row) for row in connection.execute(query.limit(limit)))
