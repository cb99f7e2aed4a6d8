"""Whom to ask, with what credentials, what to ask, and what came of it; secrets never show."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from service.terms import Reply

PORT = 161  # RFC 3417, section 3.1

# As strong as the list goes on; MD5, SHA-1 and DES are for devices that know nothing better (RFC 3414).
AUTHENTICATIONS = ("none", "md5", "sha", "sha-224", "sha-256", "sha-384", "sha-512")
PRIVACIES = ("none", "des", "aes-128", "aes-192", "aes-256")

# What can be the matter with an outcome; FINE is none of it.
FINE, SILENT, REFUSED, UNRESOLVED, GARBLED, TOO_BIG = "", "silent", "refused", "unresolved", "garbled", "too-big"


@dataclass(frozen=True)
class Community:
    """What versions 1 and 2c are let in by: a word that travels in clear text with each request."""

    version: str
    community: str = field(repr=False)


@dataclass(frozen=True)
class User:
    """Who asks by version 3, how requests are proven to be his, and how they are kept private."""

    user: str
    authentication: str = "sha-256"
    authentication_phrase: str = field(default="", repr=False)
    privacy: str = "aes-128"
    privacy_phrase: str = field(default="", repr=False)

    @property
    def version(self) -> str:
        """The version of the protocol that knows users."""
        return "3"


Credentials = Community | User


@dataclass(frozen=True)
class Agent:
    """An agent by the device it speaks for.

    It counts as silent when a request has had no answer for `timeout_s`; the request goes out
    `tries` times within that span, evenly spread, and an answer to any of them counts.
    """

    device: str
    host: str
    port: int = PORT
    credentials: Credentials = field(default=Community("2c", "public"))
    timeout_s: float = 1.0
    tries: int = 3

    @property
    def place(self) -> str:
        """Host and port as people write them."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"


@dataclass(frozen=True)
class Watch:
    """An agent that is asked again and again, and how often."""

    agent: Agent
    interval_ms: int


class Request(NamedTuple):
    """What to ask of one agent, `after_ms` from now: values by GET, or whole columns by walking them.

    Identifiers are dotted without a leading dot. Each of `pdus` is one GET, and they go out one
    after the other; where one is too big for the agent it is asked in parts, each of which
    repeats the first identifier. `tries` overrules those of the agent.
    """

    agent: Agent
    pdus: tuple[tuple[str, ...], ...] = ()
    columns: tuple[str, ...] = ()
    after_ms: int = 0
    tries: int | None = None


class Outcome(NamedTuple):
    """What came of a request: a reply for each of its GETs, or one with all rows walked; none where there is trouble.

    `trouble` says in words what is the matter and what to look at; `kind` is the word for it:
    FINE, SILENT, REFUSED, UNRESOLVED, GARBLED or TOO_BIG. `tries` counts the sendings of the
    request that was sent most often.
    """

    request: Request
    replies: tuple[Reply, ...] = ()
    trouble: str = ""
    kind: str = FINE
    tries: int = 1
    took_ms: int = 0
