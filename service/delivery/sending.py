"""Sending what is owed: claimed, posted with no transaction open, and its outcome noted."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine

from service.delivery import grouping
from service.errors import RefusedAddress, Unreachable, UnusableTemplate
from service.storage import database, deliveries
from service.storage.deliveries import Delivery
from service.webhooks import envelope, retry
from service.webhooks.parcels import parcel
from service.webhooks.retry import SECOND_MS, Answer, Meaning
from service.webhooks.routes import Route

Send = Callable[[Route, Mapping[str, str], bytes], Answer]

BATCH = 8
CLAIM_MS = BATCH * 20 * SECOND_MS  # longer than a batch takes where every receiver lets its time run out


@dataclass(frozen=True)
class Outcome:
    """What became of the messages of one round."""

    taken: int = 0
    put_off: int = 0
    given_up: int = 0
    combined: int = 0  # of those taken: how many told of a raise and its end in one


def deliver_due(engine: Engine, send: Send, routes: Sequence[Route], *, now_ms: int, limit: int = 100) -> Outcome:
    """Send what is due, oldest first and in order within a finding, at most `limit` messages; many alike go as one.

    A receiver that cannot be reached or is busy is left alone for the rest of the round.
    """
    named = {route.name: route for route in routes}
    grouping.gather(engine, named, now_ms)
    round_ = _Round(engine, send, named, now_ms)
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
            self._leave(message, self._left_alone[route.name], "not tried: the receiver was just found unable")
        else:
            self._post(message, route)

    def _post(self, message: Delivery, route: Route) -> None:
        try:
            headers, body = parcel(route, _event(message, route), self.now_ms // SECOND_MS)
            answer = self._send(route, headers, body)
        except UnusableTemplate as failure:
            self._again(message, route, str(failure), Meaning.LATER)
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

    def _leave(self, message: Delivery, until_ms: int, outcome: str) -> None:
        self.counts["put_off"] += 1
        self._settle(lambda connection: deliveries.not_tried(connection, message.id, until_ms, outcome))

    def _settle(self, note: Callable[[Connection], None]) -> None:
        database.retried(self._engine, note)


def _event(message: Delivery, route: Route) -> Mapping[str, Any]:
    """What is sent: the message as it was owed, or the end of a finding that also tells of its beginning."""
    event = envelope.event_of(message.body)
    return envelope.combined(event, zone=route.zone, pages_at=route.pages_at) if message.is_combined else event


def _jitter(message: Delivery) -> float:
    # Drawn from the id: spread over messages, yet the same again for the same attempt.
    drawn = hashlib.blake2b(f"{message.id} {message.attempts}".encode(), digest_size=4).digest()
    return int.from_bytes(drawn) / 2**32
