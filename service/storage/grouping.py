"""Messages to one route that are alike and due together, so that one message can tell of all."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from sqlalchemy import Connection, case, func, select

from service.storage import tables
from service.storage.deliveries import CLAIM_LOCK, COLUMNS, OWED, Delivery, unclaimed
from service.storage.dialects import serialise

_table = tables.deliveries


class Crowd(NamedTuple):
    """So many messages of one kind to one route, of one key; an empty key stands for whatever else is due."""

    route: str
    what: str
    key: str
    messages: int


class Fewest(NamedTuple):
    """How many messages make a crowd: of one key, of a key that begins in some way, and of whatever is due."""

    of_key: int
    of_any: int
    beginning: str
    of_beginning: int


def hold_claims(connection: Connection) -> None:
    """Let nobody claim a message until the end of the transaction."""
    serialise(connection, CLAIM_LOCK)


def crowds(connection: Connection, whats: Collection[str], now_ms: int, fewest: Fewest) -> list[Crowd]:
    """What is due and not on its way: enough of a key of which one is due, or enough of any."""
    table = _table.c
    free = table.state == OWED, table.what.in_(sorted(whats)), unclaimed(_table, now_ms), table.attempts == 0
    columns = table.route, table.what, table.group_key
    query = select(*columns, func.count()).where(*free, table.finding_id.is_not(None)).group_by(*columns)
    begins_so = table.group_key.startswith(fewest.beginning, autoescape=True)
    enough = func.count() >= case((begins_so, fewest.of_beginning), else_=fewest.of_key)
    keyed = query.where(table.group_key != "").having(enough, func.min(table.next_attempt_ms) <= now_ms)
    found = [Crowd(*row) for row in connection.execute(keyed)]
    if found:
        return found
    due = (
        select(table.route, table.what, func.count())
        .where(*free, table.finding_id.is_not(None), table.next_attempt_ms <= now_ms)
        .group_by(table.route, table.what)
        .having(func.count() >= fewest.of_any)
    )
    return [Crowd(route, what, "", count) for route, what, count in connection.execute(due)]


def messages(connection: Connection, crowd: Crowd, now_ms: int, limit: int) -> tuple[Delivery, ...]:
    """The messages of a crowd, the first owed first."""
    table = _table.c
    query = select(*COLUMNS).where(
        table.state == OWED,
        table.route == crowd.route,
        table.what == crowd.what,
        unclaimed(_table, now_ms),
        table.attempts == 0,
        table.finding_id.is_not(None),
    )
    query = query.where(table.group_key == crowd.key) if crowd.key else query.where(table.next_attempt_ms <= now_ms)
    rows = connection.execute(query.order_by(table.created_ms, table.id).limit(limit))
    return tuple(Delivery(*row) for row in rows)
