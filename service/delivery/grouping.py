"""Telling of many findings at once in one message."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from sqlalchemy import Connection, Engine

from service.storage import database, deliveries, grouping
from service.storage.deliveries import Delivery, Owed
from service.storage.grouping import Crowd, Fewest
from service.webhooks import digests, envelope, grouped
from service.webhooks.routes import Route

ALIKE_FROM = 5  # so many of one cause are told as one
DIGEST_FROM = 2  # and so many of one digest
MANY_FROM = 20  # so many at once are, whatever their cause
MOST_AT_ONCE = 2_000
PREFIX = "msg-many-"
WHATS = frozenset({"raised", "escalated", "cleared"})


def gather(engine: Engine, routes: Mapping[str, Route], now_ms: int) -> int:
    """Put together what is alike and due; how many messages now tell of many."""
    with database.reading(engine) as connection:
        if not _crowds(connection, now_ms):
            return 0
    return database.retried(engine, lambda connection: _gathered(connection, routes, now_ms))


def _gathered(connection: Connection, routes: Mapping[str, Route], now_ms: int) -> int:
    grouping.hold_claims(connection)
    made = 0
    for crowd in _crowds(connection, now_ms):
        messages = grouping.messages(connection, crowd, now_ms, MOST_AT_ONCE)
        made += _put_together(connection, crowd, messages, routes.get(crowd.route), now_ms)
    return made


def _crowds(connection: Connection, now_ms: int) -> list[Crowd]:
    return grouping.crowds(connection, WHATS, now_ms, Fewest(ALIKE_FROM, MANY_FROM, digests.PREFIX, DIGEST_FROM))


def _put_together(
    connection: Connection, crowd: Crowd, messages: tuple[Delivery, ...], route: Route | None, now_ms: int
) -> int:
    is_digest = digests.is_key(crowd.key)
    if route is None or len(messages) < (DIGEST_FROM if is_digest else ALIKE_FROM):
        return 0
    ids = [message.id for message in messages]
    message_id = PREFIX + hashlib.blake2b("\x1f".join(sorted(ids)).encode(), digest_size=14).hexdigest()
    key = "" if is_digest or crowd.key.startswith(PREFIX) else crowd.key
    parts = [envelope.event_of(message.body) for message in messages]
    event = grouped.event(parts, crowd.what, message_id, key=key, zone=route.zone, pages_at=route.pages_at)
    told = Owed(message_id, None, crowd.route, crowd.what, envelope.body_of(event), now_ms)
    made = deliveries.owe(connection, [told])
    deliveries.fold(connection, ids, message_id, now_ms)
    return made


def is_of_many(message_id: str) -> bool:
    """Whether a message tells of many findings."""
    return message_id.startswith(PREFIX)
