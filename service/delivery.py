"""Telling: which messages a change of a finding owes, and how what is owed reaches its receivers.

A message is owed in the transaction that keeps the change it tells of, claimed in a second
one, posted with none open, and its outcome noted in a third. Whoever dies in between leaves a
claim that runs out: the message goes out again under the same id.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Engine

from service.errors import RefusedAddress, Unreachable
from service.storage import database, deliveries, findings
from service.storage.deliveries import Delivery, Owed
from service.terms import Finding, Severity
from service.webhooks import envelope, retry, signature
from service.webhooks.retry import SECOND_MS, Answer, Meaning
from service.webhooks.routes import Route, wants
from service.webhooks.wording import moment_ms

Send = Callable[[Route, Mapping[str, str], bytes], Answer]

# The changes that people are told of; a change of kind shows in the next message, the return of data is no news.
TOLD = frozenset({"raised", "severity", "recurrent", "unverified", "unshelved", "cleared"})
# Changes of a finding that a shelf keeps quiet; whoever heard of it hears of its end all the same.
QUIET = frozenset({"severity", "recurrent", "unverified"})
GRAVE = frozenset({Severity.MAJOR, Severity.CRITICAL})
MOST_HEARD = 10_000  # messages of one finding, over all its routes
BATCH = 8
CLAIM_MS = BATCH * 20 * SECOND_MS  # longer than a batch takes where every receiver lets its time run out


@dataclass(frozen=True)
class Outcome:
    """What became of the messages of one round."""

    taken: int = 0
    put_off: int = 0
    given_up: int = 0
    combined: int = 0  # of those taken: how many told of a raise and its end in one


def owed(finding: Finding, what: str, routes: Sequence[Route], *, now_ms: int, position: int) -> tuple[Owed, ...]:
    """The messages that a change owes, one a route that wants the finding; the same change owes the same ids again.

    `position` tells apart changes of one finding that have the same name.
    """
    if what not in TOLD:
        return ()
    return tuple(_owed(finding, what, route, now_ms, position) for route in routes if wants(route, finding))


def owe(  # noqa: PLR0913  # what a change owes, to whom, and not before when
    connection: Connection, finding: Finding, what: str, routes: Sequence[Route], now_ms: int, *, hold_ms: int = 0
) -> int:
    """Owe what a change owes, within the caller's transaction; how many messages were new.

    The end of a finding goes to those who heard of it, whatever it has become, and to nobody else. That it became
    graver is told again only where somebody is to act now; a rise from "can wait" to "today" is news only for
    a route that has not heard of the finding. With `hold_ms`
    nothing is sent before that time has passed. What is part of a finding about a fleet is told with that one.
    While it is shelved, only a rise to major or critical is told, and its end.
    """
    if finding.part_of or _is_quiet(connection, finding, what):
        return 0
    position = moment_ms(finding, what)
    if what == "cleared":
        heard = _heard(connection, finding)
        rows = [_owed(finding, what, route, now_ms, position) for route in routes if route.name in heard]
        return deliveries.owe(connection, rows)
    if what == "severity" and finding.severity not in GRAVE:
        heard = _heard(connection, finding)
        routes = [route for route in routes if route.name not in heard]
    told = owed(finding, what, routes, now_ms=now_ms, position=position)
    return deliveries.owe(connection, told, hold_ms=hold_ms)


def _is_quiet(connection: Connection, finding: Finding, what: str) -> bool:
    """Whether a shelf keeps a change from being told."""
    is_grave = what == "severity" and finding.severity in GRAVE
    return what in QUIET and not is_grave and findings.is_shelved(connection, finding.id)


def _heard(connection: Connection, finding: Finding) -> set[str]:
    """The routes that were told of a finding, or are owed to be."""
    return {told.route for told in deliveries.listing(connection, finding_id=finding.id, limit=MOST_HEARD).items}


def _owed(finding: Finding, what: str, route: Route, now_ms: int, position: int) -> Owed:
    message_id = _message_id(finding.id, what, route.name, position)
    body = envelope.body_of(envelope.event(finding, what, message_id, zone=route.zone, pages_at=route.pages_at))
    return Owed(message_id, finding.id, route.name, what, body, now_ms)


def _message_id(finding_id: str, what: str, route: str, position: int) -> str:
    name = "\x1f".join((finding_id, what, route, str(position)))
    return "msg-" + hashlib.blake2b(name.encode(), digest_size=16).hexdigest()


def deliver_due(engine: Engine, send: Send, routes: Sequence[Route], *, now_ms: int, limit: int = 100) -> Outcome:
    """Send what is due, oldest first and in order within a finding, at most `limit` messages.

    A receiver that cannot be reached or is busy is left alone for the rest of the round.
    """
    round_ = _Round(engine, send, {route.name: route for route in routes}, now_ms)
    left = limit
    while left > 0:
        batch = _claimed(engine, round_.now_ms, min(BATCH, left))
        for message in batch:
            round_.deliver(message)
        left -= len(batch)
        if not batch:
            break
    return Outcome(**round_.counts)


def _claimed(engine: Engine, now_ms: int, limit: int) -> tuple[Delivery, ...]:
    return database.retried(engine, lambda connection: deliveries.claim(connection, now_ms, CLAIM_MS, limit))


class _Round:
    """One round of deliveries: what came of it so far, whom to leave alone, and how late it has become.

    Time passes while receivers answer, and a wait counts from the answer: `now_ms` is the
    start of the round plus what the exchanges took.
    """

    def __init__(self, engine: Engine, send: Send, routes: Mapping[str, Route], now_ms: int) -> None:
        self.now_ms = now_ms
        self.counts: Counter[str] = Counter()
        self._engine = engine
        self._send = send
        self._routes = routes
        self._left_alone: dict[str, int] = {}

    def deliver(self, message: Delivery) -> None:
        """Send one claimed message and note what came of it."""
        route = self._routes.get(message.route)
        if route is None:
            self._give_up(message, f"the settings no longer name a route {message.route!r}")
        elif route.name in self._left_alone:
            self._put_off(message, self._left_alone[route.name], "not tried: the receiver was just found unable")
        else:
            self._post(message, route)

    def _post(self, message: Delivery, route: Route) -> None:
        body = _body(message, route)
        headers = signature.headers(message.id, self.now_ms // SECOND_MS, body, route.secrets)
        try:
            answer = self._send(route, {"content-type": envelope.CONTENT_TYPE, **headers}, body)
        except (Unreachable, RefusedAddress) as failure:
            self.now_ms += getattr(failure, "took_ms", 0)
            self._again(message, route, str(failure), Meaning.UNREACHABLE)
        else:
            self.now_ms += answer.took_ms
            self._note(message, route, answer)

    def _note(self, message: Delivery, route: Route, answer: Answer) -> None:
        meaning, said = retry.meaning(answer.status), f"answered {answer.status}"
        if meaning is Meaning.TAKEN:
            self._take(message, said)
        elif meaning is Meaning.GONE:
            self._give_up(message, f"{said}: the receiver wants no more messages")
        else:
            asked = retry.asked_wait_ms(answer.retry_after, self.now_ms)
            self._again(message, route, said, meaning, asked)

    def _again(self, message: Delivery, route: Route, why: str, meaning: Meaning, asked: int = 0) -> None:
        wait = retry.wait_ms(message.attempts, jitter=_jitter(message), busy=meaning is Meaning.BUSY)
        give_up_ms = message.created_ms + route.give_up_after_ms
        again = retry.next_attempt_ms(wait, asked, now_ms=self.now_ms, give_up_ms=give_up_ms)
        if again is None:
            self._give_up(message, f"{why}; given up after {message.attempts} attempts in {route.give_up_after_h} h")
            return
        if meaning is not Meaning.LATER:
            self._left_alone[route.name] = again
        self._put_off(message, again, f"{why}, asked to wait {asked // SECOND_MS} s" if asked else why)

    def _take(self, message: Delivery, outcome: str) -> None:
        self.counts["taken"] += 1
        self.counts["combined"] += message.is_combined
        self._settle(lambda connection: deliveries.taken(connection, message.id, self.now_ms, outcome))

    def _give_up(self, message: Delivery, outcome: str) -> None:
        self.counts["given_up"] += 1
        self._settle(lambda connection: deliveries.given_up(connection, message.id, self.now_ms, outcome))

    def _put_off(self, message: Delivery, until_ms: int, outcome: str) -> None:
        self.counts["put_off"] += 1
        self._settle(lambda connection: deliveries.put_off(connection, message.id, until_ms, outcome))

    def _settle(self, note: Callable[[Connection], None]) -> None:
        database.retried(self._engine, note)


def _body(message: Delivery, route: Route) -> bytes:
    """What is sent: the message as it was owed, or the end of a finding that also tells of its beginning."""
    if not message.is_combined:
        return message.body.encode()
    told = envelope.combined(envelope.event_of(message.body), zone=route.zone, pages_at=route.pages_at)
    return envelope.body_of(told).encode()


def _jitter(message: Delivery) -> float:
    # Drawn from the id: spread over messages, yet the same again for the same attempt.
    drawn = hashlib.blake2b(f"{message.id} {message.attempts}".encode(), digest_size=4).digest()
    return int.from_bytes(drawn) / 2**32
