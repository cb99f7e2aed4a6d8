"""Telling that sources fell silent, once for each silence, and that they are heard again."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sqlalchemy import Connection, Engine

from service.delivery.owing import id_of
from service.storage import claims, database, deliveries, quiet_times, silences
from service.storage.deliveries import Owed
from service.storage.dialects import serialise
from service.storage.silences import Silence
from service.webhooks import envelope, quiet
from service.webhooks import silences as messages
from service.webhooks.patterns import matches
from service.webhooks.routes import Route, is_at

MOST = 2_000  # at a time


def tell_of_silences(engine: Engine, routes: Sequence[Route], now_ms: int, after_ms: int) -> int:
    """Owe what there is to tell of sources that have been silent for so long, or no longer are; how many messages."""
    with database.reading(engine) as connection:
        if not (silences.untold(connection, now_ms - after_ms, 1) or silences.over(connection, 1)):
            return 0
    return database.retried(engine, lambda connection: _told(connection, routes, now_ms, after_ms))


def _told(connection: Connection, routes: Sequence[Route], now_ms: int, after_ms: int) -> int:
    serialise(connection, silences.TOLD_LOCK)
    fallen = _spoken_of(connection, silences.untold(connection, now_ms - after_ms, MOST), now_ms)
    back = silences.over(connection, MOST)
    silent = silences.how_many(connection)
    made = 0
    for what, found in ((messages.SILENT, fallen), (messages.HEARD, back)):
        wanted = _wanting(connection, found)
        rows = [_message(route, what, mine, now_ms, silent) for route in routes if (mine := wanted(route))]
        made += deliveries.owe(connection, rows)
    silences.note_told(connection, fallen)
    silences.note_over(connection, back)
    return made


def _spoken_of(connection: Connection, found: Sequence[Silence], now_ms: int) -> tuple[Silence, ...]:
    """Those of which no quiet time holds the message: they are told at its end, if they are silent then."""
    times, sites = quiet_times.standing(connection), _sites(connection, found)
    return tuple(one for one in found if quiet.holds_until(times, (one.device, ""), sites(one), now_ms) is None)


def _wanting(connection: Connection, found: Sequence[Silence]) -> Callable[[Route], list[Silence]]:
    sites = _sites(connection, found)

    def of(route: Route) -> list[Silence]:
        # Those who are told of nothing but what others left, and those who plan, are not woken by it.
        if not route.silences or not route.severities or route.digest_at is not None:
            return []
        return [one for one in found if matches(one.device, route.devices) and is_at(sites(one), route.sites)]

    return of


def _sites(connection: Connection, found: Sequence[Silence]) -> Callable[[Silence], set[str]]:
    known = claims.sites_of(connection, [(one.device, "") for one in found]) if found else {}
    return lambda one: known.get((one.device, ""), set())


def _message(route: Route, what: str, found: Sequence[Silence], now_ms: int, silent: int) -> Owed:
    told = [(one.device, one.since_ms) for one in found]
    message_id = id_of("sources", what, route.name, "\x1f".join(f"{name}\x1f{since_ms}" for name, since_ms in told))
    event = messages.event(what, told, message_id, now_ms, silent=silent, zone=route.zone, pages_at=route.pages_at)
    return Owed(message_id, None, route.name, what, envelope.body_of(event), now_ms)
