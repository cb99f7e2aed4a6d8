"""The whole road from a push to a message, with a clock that the test moves and a receiver that the test reads."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import httpx
from receivers import SECRET, Heard, Receiver, listening
from sqlalchemy import Engine
from standardwebhooks import Webhook
from walks.traffic import START_S

from service import app
from service.app import Parts
from service.demo.clock import Clock
from service.demo.stage import answering
from service.settings.reading import Settings
from service.storage import retention
from service.webhooks.client import Client


@dataclass(frozen=True)
class Road:
    """The service on a database, and both far ends: who pushes and who is told."""

    parts: Parts
    clock: Clock
    receiver: Receiver
    http: httpx.Client

    def push(self, samples: list[dict[str, Any]]) -> dict[str, Any]:
        """What the service answers to a batch of JSON samples."""
        answer = self.http.post("/v1/samples", json={"samples": samples})
        assert answer.status_code == 200, answer.text
        return answer.json()

    def work(self, after_s: float) -> None:
        """Evaluate and deliver as at so many seconds after the start."""
        self.clock.advance_to(round((START_S + after_s) * 1000))
        app.evaluate(self.parts)
        app.deliver(self.parts)

    def walk(self, samples: list[dict[str, Any]], *, step_s: int, end_s: int, begin_s: int = 0) -> None:
        """Push samples as they fall due, step by step, and work after each step."""
        for done_s in range(begin_s, end_s, step_s):
            reached_s = min(done_s + step_s, end_s)
            due = [s for s in samples if done_s - (done_s == 0) < s["time"] - START_S <= reached_s]
            self.clock.advance_to((START_S + reached_s) * 1000)
            if due:
                self.push(due)
            self.work(reached_s)

    def told(self) -> list[str]:
        """What each message tells of, in the order in which they arrived."""
        return [json.loads(message.body)["data"]["what"] for message in self.receiver.heard]


@contextmanager
def road(engine: Engine) -> Iterator[Road]:
    """The road on a migrated, empty database."""
    clock = Clock(START_S * 1000)
    with engine.begin() as connection:
        retention.prepare(connection, clock.now_ms())
    with listening() as receiver:
        routes, settings = (receiver.route(),), Settings.model_construct()
        parts = Parts(settings, engine, routes, Client(), clock.now_ms, owner="the only worker")
        with answering(app.web_of(parts), 0) as address, httpx.Client(base_url=address, trust_env=False) as http:
            yield Road(parts, clock, receiver, http)


def is_signed(message: Heard) -> bool:
    """Whether the reference library of Standard Webhooks makes the same signature for a message."""
    told = message.headers
    at = datetime.fromtimestamp(int(told["webhook-timestamp"]), UTC)
    reference = Webhook("whsec_" + base64.b64encode(SECRET).decode())
    return told["webhook-signature"] == reference.sign(told["webhook-id"], at, message.body.decode())
