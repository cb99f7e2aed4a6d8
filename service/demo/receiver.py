"""A receiver of messages on loopback: checks the signature of each and keeps it."""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_network

from service.demo.clock import Clock
from service.errors import BadSignature
from service.webhooks import signature
from service.webhooks.routes import Route

LOOPBACK = "127.0.0.1"
LARGEST_BODY = 65_536


@dataclass(frozen=True)
class Message:
    """A message as it was received; `refused` says why where its signature did not hold."""

    id: str
    at_ms: int
    headers: dict[str, str]
    body: bytes
    refused: str = ""

    @property
    def text(self) -> str:
        """The message for people."""
        return str(json.loads(self.body)["data"]["text"])


@dataclass
class Receiver:
    """Where messages arrive: its route as the service knows it, and what it has received so far."""

    route: Route
    messages: list[Message] = field(default_factory=list)


@contextlib.contextmanager
def listening(clock: Clock, secret: bytes) -> Iterator[Receiver]:
    """A receiver on a free port of loopback for as long as the context lasts."""
    messages: list[Message] = []

    class Handler(BaseHTTPRequestHandler):
        timeout = 10  # seconds without an octet

        def do_POST(self) -> None:
            length = int(self.headers.get("content-length", 0))
            body = self.rfile.read(min(length, LARGEST_BODY))
            message = _judged(dict(self.headers.items()), body, secret, clock.now_ms())
            messages.append(message)
            self.send_response(401 if message.refused else 204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Nothing: the demo prints messages, not requests."""

    with ThreadingHTTPServer((LOOPBACK, 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        try:
            yield Receiver(_route(server.server_port, secret), messages)
        finally:
            server.shutdown()
            thread.join()


def _route(port: int, secret: bytes) -> Route:
    return Route(
        name="on-call",
        url=f"http://{LOOPBACK}:{port}/messages",
        secrets=(secret,),
        allow_networks=(ip_network("127.0.0.0/8"),),
    )


def _judged(headers: dict[str, str], body: bytes, secret: bytes, now_ms: int) -> Message:
    try:
        return Message(signature.verify(headers, body, secret, now_ms), now_ms, headers, body)
    except BadSignature as refused:
        return Message(headers.get("webhook-id", ""), now_ms, headers, body, str(refused))
