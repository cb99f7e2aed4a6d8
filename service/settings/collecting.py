"""The sections that say whom to poll: how often and how patiently, with what credentials, which agents."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from service.settings.sections import Number, Section, refusal
from service.snmp.agents import AUTHENTICATIONS, PORT, PRIVACIES

VERSIONS = ("3", "2c", "1")

# What people call the secrets of SNMP; each is named by a reference, never written down.
WRITTEN = frozenset({"community", "passphrase", "password", "phrase", "secret", "key", "auth", "priv"})
ENDINGS = ("_passphrase", "_password", "_phrase", "_key", "_secret", "_community")
REMEDY = (
    "put it into the environment or a file of its own and name that in [[credentials]]:"
    " community_env or community_file, authentication_env or authentication_file, privacy_env or privacy_file"
)

_VARIABLE = re.compile(r"^[A-Za-z_][A-Za-z0-9_]*$")
_HOST = re.compile(r"^[A-Za-z0-9_]([A-Za-z0-9._-]{0,252}[A-Za-z0-9_])?\.?$")

Seconds = Annotated[float, Number, Field(ge=0.05, le=60)]
Retries = Annotated[int, Number, Field(ge=0, le=10)]
Interval = Annotated[int, Number, Field(ge=1, le=3600)]


def _among(words: Sequence[str]) -> AfterValidator:
    def check(word: str) -> str:
        if word not in words:  # not repeated: somebody may have written the passphrase here
            raise refusal("this is none of the protocols known here", f"write one of {', '.join(words)}")
        return word

    return AfterValidator(check)


def _variable(name: str) -> str:
    if not _VARIABLE.match(name):  # not repeated, for the same reason
        raise refusal("this is not the name of an environment variable", "write the variable's name, not what it holds")
    return name


def _as_written(value: Any) -> Any:
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


Variable = Annotated[str, AfterValidator(_variable)]


class _WithoutSecrets(Section):
    """A section in which people are tempted to write a secret down."""

    @model_validator(mode="before")
    @classmethod
    def _names_its_secrets(cls, told: Any) -> Any:
        for key in told if isinstance(told, Mapping) else ():
            word = str(key).lower()
            if key not in cls.model_fields and (word in WRITTEN or word.endswith(ENDINGS)):
                raise refusal("a secret must not stand in the settings", REMEDY, str(key))
        return told


class Collection(Section):
    """How often agents are polled, and how patiently."""

    interval_s: Interval = 10
    timeout_s: Seconds = 1.0
    retries: Retries = 2
    in_flight: Annotated[int, Number, Field(ge=1, le=4096)] = 512
    discover_every_s: Annotated[int, Number, Field(ge=10, le=86_400)] = 600
    backoff_most_s: Annotated[int, Number, Field(ge=1, le=3600)] = 60
    closest_s: Interval = 5


class Credentials(_WithoutSecrets):
    """What agents let us in by; the secrets themselves are only named."""

    name: str = Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")
    version: Annotated[str, BeforeValidator(_as_written), _among(VERSIONS)] = "3"
    accept_clear_text: bool = False
    community_env: Variable | None = None
    community_file: str | None = None
    user: str | None = None
    authentication: Annotated[str, _among(AUTHENTICATIONS)] = "sha-256"
    authentication_env: Variable | None = None
    authentication_file: str | None = None
    privacy: Annotated[str, _among(PRIVACIES)] = "aes-128"
    privacy_env: Variable | None = None
    privacy_file: str | None = None

    @model_validator(mode="after")
    def _travels_unread_or_is_accepted(self) -> Self:
        if not self.accept_clear_text and (bare := self._bare()):
            raise refusal(
                bare,
                "prefer version 3 with authentication and privacy; if the device offers nothing better,"
                " write accept_clear_text = true",
                "version" if self.version != "3" else "privacy",
            )
        return self

    @model_validator(mode="after")
    def _has_what_its_version_needs(self) -> Self:
        if self.version == "3":
            self._is_a_user()
        else:
            self._is_a_community()
        return self

    def _bare(self) -> str:
        """What others could read of us on the way; empty where nothing."""
        if self.version != "3":
            return (
                f"version {self.version} sends its community in clear text with every request:"
                " whoever sees one can ask as we do"
            )
        if "none" in (self.authentication, self.privacy):
            return "without authentication and privacy, requests and answers can be read or forged on the way"
        return ""

    def _is_a_user(self) -> None:
        if not self.user:
            raise refusal("version 3 asks in the name of a user", 'write user = "..."', "user")
        if self.community_env or self.community_file:
            raise refusal("version 3 knows no community", "take it out", "version")
        if self.authentication == "none" and self.privacy != "none":
            raise refusal("there is no privacy without authentication", "choose an authentication too", "privacy")
        for of in ("authentication", "privacy"):
            self._names_one(of, getattr(self, of) != "none")

    def _is_a_community(self) -> None:
        if self.user:
            raise refusal(f"version {self.version} knows no users", 'write version = "3", or take it out', "user")
        self._names_one("community", True)

    def _names_one(self, of: str, needed: bool) -> None:
        told = sum(bool(getattr(self, f"{of}_{place}")) for place in ("env", "file"))
        if needed and told != 1:
            raise refusal(f"exactly one place must hold the {of}", f"name {of}_env or {of}_file", f"{of}_env")
        if told and not needed:
            raise refusal(f"{of} is none, and yet its secret is named", "take one of them out", of)


def place_of(address: str) -> tuple[str, int]:
    """Host and port of "host", "host:port", "address" or "[address]:port"; ValueError where it is none of them."""
    host, port = address, str(PORT)
    if bracketed := re.fullmatch(r"\[([^\]]+)\](?::(\d+))?", address):
        host, port = bracketed[1], bracketed[2] or port
        ipaddress.IPv6Address(host)
    elif address.count(":") == 1:
        host, _, port = address.partition(":")
    elif ":" in address:
        ipaddress.IPv6Address(address)
    if ":" not in host and not _HOST.match(host):
        raise ValueError("no host")
    if not port.isdecimal() or not 0 < int(port) < 65_536:
        raise ValueError("no port")
    return host, int(port)


def _address(value: str) -> str:
    try:
        place_of(value)
    except ValueError:
        raise refusal(
            f"{value!r} is no address of an agent",
            "write it like sm-07.example, sm-07.example:1161, 192.0.2.7 or [2001:db8::7]:161",
        ) from None
    return value


class Agent(_WithoutSecrets):
    """One agent to poll, with what it needs otherwise than the others."""

    device: str = Field(min_length=1)
    address: Annotated[str, AfterValidator(_address)]
    credentials: str
    interval_s: Interval | None = None
    timeout_s: Seconds | None = None
    retries: Retries | None = None


def check_agents(credentials: Sequence[Credentials], agents: Sequence[Agent]) -> None:
    """Refuse two of a name, and agents whose credentials nobody describes."""
    known = [held.name for held in credentials]
    for at, name in enumerate(known):
        if name in known[:at]:
            raise refusal(f"other credentials are called {name!r}", "call these otherwise", f"credentials.{at}.name")
    seen: set[str] = set()
    for at, agent in enumerate(agents):
        if agent.device in seen:
            raise refusal(f"device {agent.device!r} has an agent already", "keep one", f"agents.{at}.device")
        seen.add(agent.device)
        if agent.credentials not in known:
            raise refusal(
                f"no credentials are called {agent.credentials!r}",
                f"name one of {', '.join(known)}" if known else "describe them in a section [[credentials]]",
                f"agents.{at}.credentials",
            )
