"""What leaves for a route: octets in the form that its receiver takes, the headers beside them, and the way they go."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.webhooks import envelope, mail, signature
from service.webhooks.client import Client
from service.webhooks.mail import Mailer
from service.webhooks.retry import Answer
from service.webhooks.routes import Route


def parcel(route: Route, event: Mapping[str, Any], now_s: int) -> tuple[dict[str, str], bytes]:
    """Headers and body of what tells a route of an event; UnusableTemplate where its template makes none.

    Headers are signed over the very octets that are sent; an e-mail has its headers within.
    """
    if route.mail is not None:
        return {}, mail.octets_of(event, route.mail)
    if route.form is not None:
        content_type, body = route.form.content_type, route.form.body_of(event)
    else:
        content_type, body = envelope.CONTENT_TYPE, envelope.body_of(event).encode()
    headers = {"content-type": content_type, **signature.headers(str(event["id"]), now_s, body, route.secrets)}
    if route.authorization:
        headers["authorization"] = route.authorization
    return headers, body


@dataclass(frozen=True)
class Ways:
    """How parcels leave: by HTTP, or by SMTP where the route says so."""

    client: Client = field(default_factory=Client)
    mailer: Mailer = field(default_factory=Mailer)

    def __call__(self, route: Route, headers: Mapping[str, str], body: bytes) -> Answer:
        """What the receiver answers; Unreachable or RefusedAddress where it cannot be asked."""
        if route.mail is not None:
            return self.mailer(route.mail, route.allow_networks, body)
        return self.client(route, headers, body)
