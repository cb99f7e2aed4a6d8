"""Sending what waits in the spool, in order: what an answer means, when to try again, what to say of it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import structlog

from service.errors import Unreachable, UnusableSpool
from service.pushing.spool import Spool
from service.webhooks import signature
from service.webhooks.retry import JITTER, asked_wait_ms

FIRST_WAIT_MS = 1000
LONGEST_WAIT_MS = 60_000
LONGEST_ASKED_MS = 3_600_000  # batches of hours must not wait because somebody before the service asks for a day
MOST_TOGETHER = 60  # ten minutes of readings at the usual interval
MOST_OCTETS = 1 << 20
NEVER_TAKEN = frozenset({400, 413, 415, 422})
NOT_LET_IN = frozenset({401, 403})
PATIENCE = frozenset({429, 503})
HEAD, TAIL = b'{"samples":[', b"]}"

log = structlog.get_logger("pushing")


@dataclass(frozen=True)
class Answer:
    """What the service said: status, the Retry-After header as it came, and the body as far as it was read."""

    status: int
    retry_after: str | None = None
    body: bytes = b""


Post = Callable[[bytes, Mapping[str, str]], Answer]


@dataclass
class Sender:
    """Sends batches through `post`; `jitter` from 0 to 1 stretches waits, `new_id` names each attempt.

    An attempt needs an id of its own: the service takes each only once, and its answer may have been lost. That the
    samples come twice then does no harm.
    """

    spool: Spool
    post: Post
    clock: Callable[[], int]
    new_id: Callable[[], str]
    jitter: Callable[[], float]
    key: str = field(default="", repr=False)
    _failures: int = 0
    _tried_ms: int = 0
    _wait_ms: int = 0
    _one_by_one: int = 0
    _said: str = ""
    _stuck: str = ""

    def send_due(self) -> bool:
        """Send the oldest batches if it is time; whether the next may follow at once."""
        if not self._is_due():
            return False
        try:
            batches = self.spool.oldest(1 if self._one_by_one else MOST_TOGETHER, MOST_OCTETS)
        except UnusableSpool as unread:
            return self._put_off("spool", str(unread))
        if not batches:
            return False
        body = joined([body for _, body in batches])
        if len(batches) > 1 and not body:
            self._one_by_one = len(batches)
            return True
        try:
            answer = self.post(body, self._headers(body))
        except Unreachable as away:
            return self._put_off("away", str(away))
        return self._heard(answer, [number for number, _ in batches])

    def _is_due(self) -> bool:
        # A clock that was set back must not make the wait longer than it was meant to be.
        return not 0 <= self.clock() - self._tried_ms < self._wait_ms

    def _headers(self, body: bytes) -> dict[str, str]:
        told = {"content-type": "application/json"}
        if not self.key:
            return told
        signed = signature.headers(self.new_id(), self.clock() // 1000, body, [self.key.encode()])
        return {**told, **signed, "authorization": f"Bearer {self.key}"}

    def _heard(self, answer: Answer, numbers: list[int]) -> bool:
        if 200 <= answer.status < 300:
            return self._taken(answer, numbers)
        if answer.status in NEVER_TAKEN:
            return self._not_taken(answer, numbers)
        why = f"answered {answer.status}: {detail(answer.body)}"
        if answer.status in NOT_LET_IN:
            return self._put_off("key", f"{why}; give a key that may feed")
        asked = asked_wait_ms(answer.retry_after, self.clock()) if answer.status in PATIENCE else 0
        return self._put_off(str(answer.status), why, min(asked, LONGEST_ASKED_MS))

    def _taken(self, answer: Answer, numbers: list[int]) -> bool:
        told = _object(answer.body)
        if not isinstance(told.get("accepted"), int):
            return self._put_off("stranger", "what answers there is not lopside; see that --to names it")
        self._tidied(lambda: self.spool.remove(numbers))
        self._one_by_one = max(0, self._one_by_one - len(numbers))
        if self._failures:
            log.info("service takes batches again", waiting=len(self.spool))
        self._failures, self._wait_ms, self._said = 0, 0, ""
        _tell_rejected(told)
        return True

    def _not_taken(self, answer: Answer, numbers: list[int]) -> bool:
        """A batch that no later attempt would bring in; of several joined ones it shows one by one which it was."""
        if len(numbers) > 1:
            self._one_by_one = len(numbers)
            return True
        self._one_by_one = max(0, self._one_by_one - 1)
        place = self._tidied(lambda: self.spool.set_aside(numbers[0]))
        event = "batch refused and set aside" if place else "batch refused"
        log.error(event, status=answer.status, why=detail(answer.body), file=str(place or ""))
        return True

    def _tidied(self, tidy: Callable[[], Path | None]) -> Path | None:
        """Tidy the spool, and say once where that cannot be done; what waits goes on all the same."""
        try:
            place = tidy()
        except UnusableSpool as stuck:
            if str(stuck) != self._stuck:
                log.error("batches that left stay on disk, and are sent again after a restart", why=str(stuck))
            self._stuck = str(stuck)
            return None
        self._stuck = ""
        return place

    def _put_off(self, what: str, why: str, asked_ms: int = 0) -> bool:
        """Wait before the next attempt, twice as long each time, and say once what is the matter."""
        self._failures += 1
        planned = min(FIRST_WAIT_MS << min(self._failures - 1, 16), LONGEST_WAIT_MS)
        self._wait_ms = max(round(planned * (1 + JITTER * self.jitter())), asked_ms)
        self._tried_ms = self.clock()
        if what != self._said:
            log.warning("batches wait", why=why, waiting=len(self.spool))
        self._said = what
        return False


def joined(bodies: list[bytes]) -> bytes:
    """Several batches as one, in their order; empty where one has another form, so that each goes alone."""
    if len(bodies) == 1:
        return bodies[0]
    inner = [body[len(HEAD) : -len(TAIL)] for body in bodies if body.startswith(HEAD) and body.endswith(TAIL)]
    return HEAD + b",".join(part for part in inner if part) + TAIL if len(inner) == len(bodies) else b""


def detail(body: bytes) -> str:
    """What a refusal says for people, as much as a line of a log takes."""
    told = _object(body)
    return str(told.get("detail") or told.get("title") or body[:200].decode("utf-8", "replace"))[:300]


def _object(body: bytes) -> dict[str, Any]:
    try:
        told = json.loads(body)
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def _tell_rejected(told: dict[str, Any]) -> None:
    rejected = told.get("rejected")
    if isinstance(rejected, list) and rejected:
        first = rejected[0].get("reason", "") if isinstance(rejected[0], dict) else ""
        log.warning("samples rejected", count=len(rejected), first=str(first)[:300])
