"""A message that tries a route out: signed and sent like any other, and marked as a test."""

from __future__ import annotations

import os

from service.delivery import Send
from service.errors import NotFound
from service.settings.reading import Settings
from service.settings.routing import routes_of
from service.webhooks import retry, trying
from service.webhooks.parcels import Ways, parcel
from service.webhooks.retry import Answer


def sent(settings: Settings, name: str, now_ms: int, send: Send | None = None) -> Answer:
    """What the route's receiver answered; NotFound where the settings name no such route."""
    route = next((route for route in routes_of(settings) if route.name == name), None)
    if route is None:
        raise NotFound("route", name)
    event = trying.event(route.name, f"test-{os.urandom(16).hex()}", now_ms)
    headers, body = parcel(route, event, now_ms // 1000)
    return (send or Ways())(route, headers, body)


def is_taken(answer: Answer) -> bool:
    """Whether the receiver took the message."""
    return retry.meaning(answer.status) is retry.Meaning.TAKEN
