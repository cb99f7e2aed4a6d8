"""Letting go of what was held in a quiet time: what is still open by then is told, as it is by then."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

from sqlalchemy import Connection, Engine

from service.delivery.owing import GRAVE, held_until
from service.storage import database, deliveries, findings, holding
from service.storage.deliveries import Delivery
from service.terms import Finding
from service.webhooks import envelope
from service.webhooks.routes import Route

SLICE = 100
MOST_SLICES = 100


def release(engine: Engine, routes: Sequence[Route], now_ms: int) -> int:
    """Let go of what has waited long enough, a slice a transaction; how many messages are owed by it."""
    named = {route.name: route for route in routes}
    released = 0
    for _ in range(MOST_SLICES):
        some, more = database.retried(engine, lambda connection: _slice(connection, named, now_ms))
        released += some
        if not more:
            break
    return released


def _slice(connection: Connection, routes: Mapping[str, Route], now_ms: int) -> tuple[int, bool]:
    held = holding.due(connection, now_ms, SLICE)
    released = 0
    for finding_id, of_finding in itertools.groupby(held, key=lambda one: one.finding_id):
        mine = tuple(of_finding)
        finding = findings.one(connection, finding_id or "").finding
        until_ms = held_until(connection, finding, now_ms)
        if _is_kept_by_a_shelf(connection, finding, mine):
            deliveries.leave_untold(connection, finding.id, now_ms, "shelved while a quiet time held it")
        elif until_ms is not None:
            holding.keep(connection, [one.id for one in mine], until_ms)
        else:
            released += _tell(connection, finding, mine, routes, now_ms)
    return released, len(held) >= SLICE


def _is_kept_by_a_shelf(connection: Connection, finding: Finding, held: Sequence[Delivery]) -> bool:
    """Whether somebody shelved an open finding meanwhile: its end tells of it, if there is still a need."""
    is_grave = finding.severity in GRAVE and any(one.what == "severity" for one in held)
    return finding.cleared_ms is None and not is_grave and findings.is_shelved(connection, finding.id)


def _tell(
    connection: Connection, finding: Finding, held: Sequence[Delivery], routes: Mapping[str, Route], now_ms: int
) -> int:
    told = 0
    for name, of_route in itertools.groupby(held, key=lambda one: one.route):
        mine = tuple(of_route)
        ending = [one for one in mine if one.what == "cleared"]
        # Its end alone is news to who heard of its beginning before the quiet time.
        first = ending[-1] if ending else mine[0]
        deliveries.fold(connection, [one.id for one in mine if one is not first], first.id, now_ms)
        holding.let_go(connection, first.id, _body(finding, first, routes.get(name), now_ms), now_ms)
        told += 1
    if finding.cleared_ms is None and any(one.what != "cleared" for one in held):
        text = "told only now: messages were held in a quiet time"
        findings.note(connection, finding.id, now_ms, "quiet-ended", text=text)
    return told


def _body(finding: Finding, message: Delivery, route: Route | None, now_ms: int) -> str:
    """The message as it would be written now; as it was where the settings no longer name its route."""
    if route is None or message.what == "cleared":
        return message.body
    as_of_now = replace(finding, updated_ms=max(now_ms, finding.updated_ms))
    told = envelope.event(as_of_now, message.what, message.id, zone=route.zone, pages_at=route.pages_at, told_ms=now_ms)
    return envelope.body_of(told)
