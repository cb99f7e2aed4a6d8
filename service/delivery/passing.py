"""Telling another route: of a grave finding that nobody took, and of what a receiver did not take."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, Engine

from service.delivery import grouping
from service.delivery.owing import GRAVE, held_until, id_of
from service.storage import database, deliveries, findings, passing
from service.storage.deliveries import Delivery, Owed
from service.storage.passing import Waiting
from service.terms import Finding
from service.webhooks import envelope
from service.webhooks.routes import Instead, Route

ESCALATED = "escalated"
MOST = 5_000  # of a route and round


def pass_on(engine: Engine, routes: Sequence[Route], now_ms: int) -> Counter[str]:
    """Owe the messages that are due to the routes behind; how many were escalated, and how many go another way."""
    named = {route.name: route for route in routes}
    counts: Counter[str] = Counter()
    for route in routes:
        if route.unanswered is not None and route.unanswered.route in named:
            counts["escalated"] += _escalate(engine, route, route.unanswered, named, now_ms)
        if route.unheard is not None and route.unheard.route in named:
            counts["another_way"] += _another_way(engine, route, route.unheard, now_ms)
    return counts


def _escalate(engine: Engine, route: Route, instead: Instead, routes: Mapping[str, Route], now_ms: int) -> int:
    to = routes[instead.route]

    def work(connection: Connection) -> int:
        waiting = passing.untaken(
            connection,
            route.name,
            {str(severity) for severity in GRAVE},
            now_ms - instead.after_ms,
            to=to.name,
            what=ESCALATED,
            limit=MOST,
        )
        return sum(_tell(connection, one, to, now_ms) for one in waiting)

    return database.retried(engine, work)


def _tell(connection: Connection, waiting: Waiting, to: Route, now_ms: int) -> int:
    finding = waiting.finding
    if held_until(connection, finding, now_ms) is not None:
        return 0
    key = waiting.told_with if grouping.is_of_many(waiting.told_with) else ""
    made = deliveries.owe(connection, [_message(finding, waiting.since_ms, to, now_ms, key)])
    if made:
        minutes = (now_ms - waiting.since_ms) // 60_000
        text = f"nobody took it for {minutes} min: told {to.name}"
        findings.note(connection, finding.id, now_ms, ESCALATED, text=text)
    return made


def _message(finding: Finding, since_ms: int, to: Route, now_ms: int, key: str) -> Owed:
    message_id = id_of(finding.id, ESCALATED, to.name, since_ms)
    told = envelope.event(finding, ESCALATED, message_id, zone=to.zone, pages_at=to.pages_at, told_ms=now_ms)
    return Owed(message_id, finding.id, to.name, ESCALATED, envelope.body_of(told), now_ms, key)


def _another_way(engine: Engine, route: Route, instead: Instead, now_ms: int) -> int:
    def work(connection: Connection) -> int:
        stuck = passing.unheard(connection, route.name, now_ms - instead.after_ms, now_ms, MOST)
        return deliveries.owe(connection, [_copy(one, instead.route, now_ms) for one in stuck])

    return database.retried(engine, work)


def _copy(message: Delivery, route: str, now_ms: int) -> Owed:
    """The same words for another route, under an id of their own, which stands in the body as in every message."""
    copy_id = id_of(message.id, "another-way", route, 0)
    body = envelope.body_of(envelope.event_of(message.body) | {"id": copy_id})
    return Owed(copy_id, message.finding_id, route, message.what, body, now_ms)
