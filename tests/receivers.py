"""Receivers of messages for tests: real HTTP on a free port of loopback, answering what they are told to."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_network

from service.webhooks.routes import Route

LOOPBACK = (ip_network("127.0.0.0/8"),)
SECRET = b"a secret of tests, 32 bytes long"


@dataclass(frozen=True)
class Heard:
    """One request as it arrived."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Receiver:
    """Where it listens, what it has heard, and what it answers: (status, headers), one a request, the last for ever."""

    port: int
    heard: list[Heard] = field(default_factory=list)
    answers: list[tuple[int, dict[str, str]]] = field(default_factory=lambda: [(204, {})])

    def url(self, path: str = "/hook", scheme: str = "http", host: str = "127.0.0.1") -> str:
        return f"{scheme}://{host}:{self.port}{path}"

    def route(self, **told: object) -> Route:
        defaults = {"name": "chat", "url": self.url(), "secrets": (SECRET,), "allow_networks": LOOPBACK}
        return Route(**{**defaults, **told})  # type: ignore[arg-type]  # a test may state any field

    def next_answer(self) -> tuple[int, dict[str, str]]:
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


@contextlib.contextmanager
def listening(tls: ssl.SSLContext | None = None) -> Iterator[Receiver]:
    """A receiver that speaks HTTP, and keeps what it heard."""
    receiver = Receiver(0)

    class Handler(BaseHTTPRequestHandler):
        timeout = 10

        def do_POST(self) -> None:
            length = int(self.headers.get("content-length", 0))
            body = self.rfile.read(length)
            if len(body) < length:
                return  # whoever was sending died half-way: that was no message
            receiver.heard.append(Heard(self.path, {k.lower(): v for k, v in self.headers.items()}, body))
            status, headers = receiver.next_answer()
            self.send_response(status)
            for name, value in {"content-length": "0", **headers}.items():
                self.send_header(name, value)
            self.end_headers()

        do_GET = do_POST  # noqa: N815  # the name that http.server looks for

        def log_message(self, *_: object) -> None: ...

    class Server(ThreadingHTTPServer):
        def handle_error(self, *_: object) -> None: ...  # a client that does not trust the certificate hangs up

    with Server(("127.0.0.1", 0), Handler) as server:
        if tls:
            server.socket = tls.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
        receiver.port = server.server_port
        thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        try:
            yield receiver
        finally:
            server.shutdown()
            thread.join()


@contextlib.contextmanager
def speaking(say: Callable[[socket.socket, threading.Event], None]) -> Iterator[Receiver]:
    """A receiver that says whatever it is told to, HTTP or not, to one caller; the event is set at the end."""
    over = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)

        def serve() -> None:
            with contextlib.suppress(OSError):
                caller, _ = server.accept()
                with caller:
                    caller.settimeout(10)
                    caller.recv(65_536)
                    say(caller, over)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield Receiver(server.getsockname()[1])
        finally:
            over.set()
            thread.join()


def closed_port() -> int:
    """A port of loopback that nobody listens on."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
    return port
