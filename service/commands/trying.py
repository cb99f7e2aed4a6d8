"""A message that tries a route out: signed and sent like any other, and marked as a test."""

from __future__ import annotations

import os

from service.errors import NotFound
from service.settings.reading import Settings
from service.settings.references import routes_of
from service.webhooks import envelope, retry, signature
from service.webhooks.client import Client
from service.webhooks.fields import instant
from service.webhooks.retry import Answer
from service.webhooks.routes import Route

TYPE = "lopside.test"
TEXT = "This is a test of the route {name}: lopside can reach you and nothing is wrong. No answer is needed."


def sent(settings: Settings, name: str, now_ms: int, send: Client | None = None) -> Answer:
    """What the route's receiver answered; NotFound where the settings name no such route."""
    route = next((route for route in routes_of(settings) if route.name == name), None)
    if route is None:
        raise NotFound("route", name)
    message_id = f"test-{os.urandom(16).hex()}"
    body = envelope.body_of(event(route, message_id, now_ms)).encode()
    headers = signature.headers(message_id, now_ms // 1000, body, route.secrets)
    return (send or Client())(route, {"content-type": envelope.CONTENT_TYPE, **headers}, body)


def event(route: Route, message_id: str, now_ms: int) -> dict[str, object]:
    """The event of a test; its type is not that of a finding, so that no receiver takes it for one."""
    return {
        "specversion": "1.0",
        "id": message_id,
        "source": envelope.SOURCE,
        "type": TYPE,
        "time": instant(now_ms),
        "datacontenttype": "application/json",
        "data": {"schema": envelope.SCHEMA, "what": "test", "text": TEXT.format(name=route.name)},
    }


def is_taken(answer: Answer) -> bool:
    """Whether the receiver took the message."""
    return retry.meaning(answer.status) is retry.Meaning.TAKEN
