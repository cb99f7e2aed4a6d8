"""The one HTTP client: looks a name up once, checks the address, connects to just that address.

No redirects, no proxies from the environment, TLS always verified, at most 64 kB of an answer
read, and one time limit over the whole exchange.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import httpcore

from service.errors import Unreachable
from service.webhooks.guard import Network, Resolver, checked_addresses
from service.webhooks.retry import Answer
from service.webhooks.routes import Route

TIMEOUT_S = 15.0  # Standard Webhooks recommends 15 to 30 s
CONNECT_S = 5.0
MOST_READ = 65_536

Remaining = Callable[[], float]

_BROKEN = (
    httpcore.TimeoutException,
    httpcore.NetworkError,
    httpcore.ProtocolError,
    httpcore.UnsupportedProtocol,
    OSError,
    UnicodeError,  # a host label that is too long for DNS
)


@dataclass(frozen=True)
class Client:
    """How messages leave: whom TLS trusts, how long an exchange may take, who looks names up."""

    tls: ssl.SSLContext = field(default_factory=ssl.create_default_context)
    timeout_s: float = TIMEOUT_S
    resolve: Resolver = socket.getaddrinfo
    stopwatch: Callable[[], float] = time.monotonic  # measures how long, never what time it is

    def __call__(self, route: Route, headers: Mapping[str, str], body: bytes) -> Answer:
        """What the route's receiver answers; Unreachable or RefusedAddress where nobody does."""
        started = self.stopwatch()
        try:
            status, retry_after = self._post(route, headers, body, started + self.timeout_s)
        except _BROKEN as broken:
            host = urlsplit(route.url).hostname or "the receiver"
            raise Unreachable(host, _why(broken), self._took_ms(started)) from broken
        return Answer(status, retry_after, self._took_ms(started))

    def _took_ms(self, started: float) -> int:
        return round((self.stopwatch() - started) * 1000)

    def _post(self, route: Route, headers: Mapping[str, str], body: bytes, ends: float) -> tuple[int, str | None]:
        network = _Guarded(route.allow_networks, self.resolve, lambda: ends - self.stopwatch())
        told = [("user-agent", "lopside"), ("accept", "*/*"), *headers.items()]
        limits = {"connect": CONNECT_S, "read": self.timeout_s, "write": self.timeout_s, "pool": CONNECT_S}
        with (
            httpcore.ConnectionPool(ssl_context=self.tls, network_backend=network) as pool,
            pool.stream("POST", route.url, headers=told, content=body, extensions={"timeout": limits}) as response,
        ):
            # The status is the answer; a body that breaks off or drags on does not take it back.
            with contextlib.suppress(*_BROKEN):
                _drain(response.iter_stream())
            return response.status, _header(response.headers, b"retry-after")


def _drain(chunks: Iterable[bytes]) -> None:
    room = MOST_READ
    for chunk in chunks:
        room -= len(chunk)
        if room <= 0:
            return


def _header(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> str | None:
    return next((value.decode("latin-1") for key, value in headers if key.lower() == name), None)


def _why(broken: Exception) -> str:
    if isinstance(broken, httpcore.TimeoutException | TimeoutError):
        return "no answer in time"
    return str(broken) or type(broken).__name__


class _Guarded(httpcore.NetworkBackend):
    """Connects to addresses that were looked up once and checked, so that no second look-up can change them."""

    def __init__(self, allow: Sequence[Network], resolve: Resolver, remaining: Remaining) -> None:
        self._allow = allow
        self._resolve = resolve
        self._remaining = remaining
        self._plain = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        """A connection to the first checked address of a host that accepts one."""
        addresses = checked_addresses(host, port, self._allow, self._resolve)
        for address in addresses[:-1]:
            with contextlib.suppress(httpcore.ConnectError, httpcore.ConnectTimeout):
                return self._to(address, port, timeout)
        return self._to(addresses[-1], port, timeout)

    def connect_unix_socket(
        self, path: str, timeout: float | None = None, socket_options: Iterable[Any] | None = None
    ) -> httpcore.NetworkStream:
        """Never: a message goes to a receiver on a network."""
        raise httpcore.ConnectError("messages do not go to sockets of this machine")

    def _to(self, address: str, port: int, timeout: float | None) -> httpcore.NetworkStream:
        limit = _shorter(timeout, self._remaining())
        return _Timed(self._plain.connect_tcp(address, port, timeout=limit), self._remaining)


class _Timed(httpcore.NetworkStream):
    """A stream whose every step ends with the whole exchange: octets that drip in cannot hold it open."""

    def __init__(self, inner: httpcore.NetworkStream, remaining: Remaining) -> None:
        self._inner = inner
        self._remaining = remaining

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        return self._inner.read(max_bytes, _shorter(timeout, self._remaining()))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        self._inner.write(buffer, _shorter(timeout, self._remaining()))

    def close(self) -> None:
        self._inner.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        limit = _shorter(timeout, self._remaining())
        return _Timed(self._inner.start_tls(ssl_context, server_hostname, limit), self._remaining)

    def get_extra_info(self, info: str) -> Any:
        return self._inner.get_extra_info(info)


def _shorter(timeout: float | None, remaining: float) -> float:
    if remaining <= 0:
        raise httpcore.ReadTimeout("no answer in time")
    return remaining if timeout is None else min(timeout, remaining)
