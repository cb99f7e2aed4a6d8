"""What a change of a finding owes, and to whom."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection

from service.delivery import grouping
from service.storage import claims, deliveries, findings, quiet_times
from service.storage.deliveries import Owed
from service.terms import Finding, Severity
from service.webhooks import digests, envelope, quiet
from service.webhooks.routes import Route, wants
from service.webhooks.wording import moment_ms

# The changes that people are told of; a change of kind shows in the next message, the return of data is no news.
TOLD = frozenset({"raised", "severity", "recurrent", "unverified", "unshelved", "cleared"})
# Changes of a finding that a shelf keeps quiet; whoever heard of it hears of its end all the same.
QUIET = frozenset({"severity", "recurrent", "unverified"})
GRAVE = frozenset({Severity.MAJOR, Severity.CRITICAL})
MOST_HEARD = 10_000  # messages of one finding, over all its routes
CLEARED = "cleared"
GROUPED_END_MS = 35_000  # the end of one of a storm waits so long for those of the others


@dataclass(frozen=True)
class Alike:
    """What a message may be told together with: others of the same key, that come within `hold_ms`."""

    key: str = ""
    hold_ms: int = 0


NOTHING_ALIKE = Alike()


def owed(  # noqa: PLR0913  # each told by its name
    finding: Finding,
    what: str,
    routes: Sequence[Route],
    *,
    now_ms: int,
    position: int,
    sites: Collection[str] = (),
    group_key: str = "",
) -> tuple[Owed, ...]:
    """The messages that a change owes, one a route that wants the finding; the same change owes the same ids again.

    `position` tells apart changes of one finding that have the same name.
    """
    if what not in TOLD:
        return ()
    wanting = (route for route in routes if wants(route, finding, sites))
    return tuple(message(finding, what, route, now_ms, position, group_key) for route in wanting)


def owe(  # noqa: PLR0913  # what a change owes, to whom, together with which
    connection: Connection,
    finding: Finding,
    what: str,
    routes: Sequence[Route],
    now_ms: int,
    *,
    alike: Alike = NOTHING_ALIKE,
) -> int:
    """Owe what a change owes, within the caller's transaction; how many messages were new.

    The end of a finding goes to those who heard of it, whatever it has become, and to nobody else. That it became
    graver is told again only where somebody is to act now; a rise from "can wait" to "today" is news only for
    a route that has not heard of the finding. What is `alike` waits for the others. What is part of a finding about a
    fleet is told with that one. While it is shelved, only a rise to major or critical is told, and its end. In a quiet
    time messages are held, and what both begins and ends within it is told to nobody.
    """
    if finding.part_of or what not in TOLD or _is_shelved_away(connection, finding, what):
        return 0
    until_ms = held_until(connection, finding, now_ms)
    position = moment_ms(finding, what)
    if what == CLEARED:
        rows = _endings(connection, finding, routes, now_ms, position)
        return _keep(connection, rows, routes, now_ms, _hold_ms(rows), until_ms)
    if what == "severity" and finding.severity not in GRAVE:
        heard = _heard(connection, finding)
        routes = [route for route in routes if route.name not in heard]
    sites = sites_of(connection, finding) if any(route.sites for route in routes) else ()
    told = owed(finding, what, routes, now_ms=now_ms, position=position, sites=sites, group_key=alike.key)
    return _keep(connection, told, routes, now_ms, alike.hold_ms, until_ms)


def _keep(  # noqa: PLR0913, PLR0917  # which messages, of which routes, and how long they wait
    connection: Connection,
    rows: Sequence[Owed],
    routes: Sequence[Route],
    now_ms: int,
    hold_ms: int,
    until_ms: int | None,
) -> int:
    """Owe messages: those of a digest at its time of day and under its key, the others when they are due."""
    due = {route.name: _digest_ms(route, now_ms) for route in routes}
    at_once = [row for row in rows if not due.get(row.route)]
    made = deliveries.owe(connection, at_once, hold_ms=hold_ms, held_until_ms=until_ms)
    for row in rows:
        if (due_ms := due.get(row.route)) and row.what in digests.WHATS:
            later = replace(row, group_key=digests.key_of(due_ms))
            made += deliveries.owe(connection, [later], hold_ms=due_ms - now_ms, held_until_ms=until_ms)
    return made


def _digest_ms(route: Route, now_ms: int) -> int | None:
    return None if route.digest_at is None else digests.due_ms(route.digest_at, route.zone, now_ms)


def held_until(connection: Connection, finding: Finding, now_ms: int) -> int | None:
    """Until when a quiet time holds what is told of a finding; None where none does."""
    times = quiet_times.standing(connection)
    sites = sites_of(connection, finding) if any(one.sites for one in times) else ()
    return quiet.holds_until(times, (finding.device, finding.team), sites, now_ms)


def sites_of(connection: Connection, finding: Finding) -> set[str]:
    """The sites at which a finding's team is, or its teams are; empty where the inventory names none."""
    names = [name for told in finding.teams if (name := _split(told))] or [(finding.device, finding.team)]
    found = claims.sites_of(connection, names)
    return {site for sites in found.values() for site in sites}


def _split(told: str) -> tuple[str, str] | None:
    device, stroke, team = told.rpartition("/")
    return (device, team) if stroke else None


def _endings(
    connection: Connection, finding: Finding, routes: Sequence[Route], now_ms: int, position: int
) -> list[Owed]:
    """The message of its end to each route that heard of it; those who were told of many at once may be so again."""
    deliveries.leave_untold(connection, finding.id, now_ms)
    heard = _heard(connection, finding)
    return [
        message(finding, CLEARED, route, now_ms, position, heard[route.name]) for route in routes if route.name in heard
    ]


def _hold_ms(rows: Sequence[Owed]) -> int:
    return GROUPED_END_MS if any(row.group_key for row in rows) else 0


def _is_shelved_away(connection: Connection, finding: Finding, what: str) -> bool:
    """Whether a shelf keeps a change from being told."""
    is_grave = what == "severity" and finding.severity in GRAVE
    return what in QUIET and not is_grave and findings.is_shelved(connection, finding.id)


def _heard(connection: Connection, finding: Finding) -> dict[str, str]:
    """The routes that were told of a finding or are owed to be, each with the message that told of others too."""
    told = deliveries.listing(connection, finding_id=finding.id, limit=MOST_HEARD).items
    heard: dict[str, str] = {}
    for one in told:
        if one.state not in (deliveries.HELD, deliveries.UNTOLD):
            many = one.told_with if grouping.is_of_many(one.told_with) else ""
            heard[one.route] = heard.get(one.route) or many
    return heard


def message(finding: Finding, what: str, route: Route, now_ms: int, position: int, group_key: str = "") -> Owed:  # noqa: PLR0913, PLR0917  # what, to whom, when
    """One message, with its body."""
    message_id = id_of(finding.id, what, route.name, position)
    told = envelope.event(finding, what, message_id, zone=route.zone, pages_at=route.pages_at)
    return Owed(message_id, finding.id, route.name, what, envelope.body_of(told), now_ms, group_key)


def id_of(of: str, what: str, route: str, position: int | str) -> str:
    """The one id of a message: whoever owes it again finds the same."""
    name = "\x1f".join((of, what, route, str(position)))
    return "msg-" + hashlib.blake2b(name.encode(), digest_size=16).hexdigest()
