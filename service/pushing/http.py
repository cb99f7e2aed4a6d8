"""Posting over HTTP: one connection kept open, no redirects, no proxies from the environment, TLS verified."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import httpx

from service.errors import Unreachable
from service.pushing.sender import Answer, Post

TIMEOUT_S = 15  # of each step: to connect, to write a piece, to read one
WHOLE_S = 30  # of all of an exchange: one that drips keeps within the time of each step for ever
MOST_READ = 65_536


@contextmanager
def posting(url: str, transport: httpx.BaseTransport | None = None, whole_s: float = WHOLE_S) -> Iterator[Post]:
    """What posts to a URL; Unreachable where nobody answers, or not within `whole_s`."""
    # Making a context of TLS reads all certificates of the system, which plain HTTP has no use for.
    tls = ssl.create_default_context() if url.startswith("https:") else False
    line = _Line()
    with httpx.Client(verify=tls, timeout=TIMEOUT_S, trust_env=False, transport=transport) as client:

        def post(body: bytes, headers: Mapping[str, str]) -> Answer:
            request = client.build_request(
                "POST", url, content=body, headers=dict(headers), extensions={"trace": line.heard}
            )
            broken: Exception | None = None
            try:
                with line.cut_after(whole_s), contextlib.closing(client.send(request, stream=True)) as response:
                    answer = Answer(response.status_code, response.headers.get("retry-after"), _beginning(response))
            except (httpx.HTTPError, OSError) as wrong:
                broken = wrong
            if line.is_cut:  # an answer that does not say how long it is looks whole where it was cut
                raise Unreachable(httpx.URL(url).host, f"no whole answer within {whole_s:g} s") from broken
            if broken is not None:
                raise Unreachable(httpx.URL(url).host, str(broken) or type(broken).__name__) from broken
            return answer

        yield post


def _beginning(response: httpx.Response) -> bytes:
    read = b""
    for chunk in response.iter_bytes():
        read += chunk
        if len(read) >= MOST_READ:
            break
    return read[:MOST_READ]


class _Line:
    """The connection that is used, so that another thread can cut it; closing it there would free its number."""

    def __init__(self) -> None:
        self.is_cut = False
        self._stream: Any = None

    def heard(self, event: str, told: Mapping[str, Any]) -> None:
        """Take what the `trace` of a request tells of connections."""
        if event in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
            self._stream = told["return_value"]
            if self.is_cut:  # it took so long to come about
                self._cut()

    @contextmanager
    def cut_after(self, seconds: float) -> Iterator[None]:
        """Cut the connection where the block takes longer."""
        self.is_cut = False
        timer = threading.Timer(seconds, self._cut)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def _cut(self) -> None:
        self.is_cut = True
        if self._stream is not None:
            with contextlib.suppress(OSError):  # it is closed already
                # Not the method of a TLS socket, which would forget the cipher under the thread that reads.
                socket.socket.shutdown(self._stream.get_extra_info("socket"), socket.SHUT_RDWR)
