"""Posting over HTTP: one connection kept open, no redirects, no proxies from the environment, TLS verified."""

from __future__ import annotations

import ssl
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import httpx

from service.errors import Unreachable
from service.pushing.sender import Answer, Post

TIMEOUT_S = 15
MOST_READ = 65_536


@contextmanager
def posting(url: str, transport: httpx.BaseTransport | None = None) -> Iterator[Post]:
    """What posts to a URL; Unreachable where nobody answers."""
    # Making a context of TLS reads all certificates of the system, which plain HTTP has no use for.
    tls = ssl.create_default_context() if url.startswith("https:") else False
    with httpx.Client(verify=tls, timeout=TIMEOUT_S, trust_env=False, transport=transport) as client:

        def post(body: bytes, headers: Mapping[str, str]) -> Answer:
            try:
                with client.stream("POST", url, content=body, headers=dict(headers)) as response:
                    return Answer(response.status_code, response.headers.get("retry-after"), _beginning(response))
            except (httpx.HTTPError, OSError) as broken:
                raise Unreachable(httpx.URL(url).host, str(broken) or type(broken).__name__) from broken

        yield post


def _beginning(response: httpx.Response) -> bytes:
    read = b""
    for chunk in response.iter_bytes():
        read += chunk
        if len(read) >= MOST_READ:
            break
    return read[:MOST_READ]
