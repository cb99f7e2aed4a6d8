"""The sections of the settings file, one class each: names, ranges, defaults."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Self
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SecretStr,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from service.rules.table import MOST_OF
from service.terms import BUNDLES, KIND_WORDS, METHODS, Rule, Severity
from service.terms import OWNERS as ALL_OWNERS
from service.webhooks.mail import TLS_WAYS
from service.webhooks.routes import BOTH

# Roll-ups are made of whole windows, 300 s each.
ROLLUP_S = 300

# Below is what somebody wrote in Mbit/s, above what no port does.
LEAST_BPS, MOST_BPS = 1_000_000, 10_000_000_000_000
SPEEDS = "a port's speed must lie between 1 Mbit/s and 10 Tbit/s"

SEVERITIES = tuple(str(severity) for severity in Severity)
KINDS = KIND_WORDS[1:]
OWNERS = tuple(owner for owner in ALL_OWNERS if owner != BOTH)
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

# What somebody might call a secret that he writes down where it does not belong.
SECRET_WORDS = frozenset({"secret", "secrets", "password", "token", "key", "credential", "credentials"})


def refusal(why: str, remedy: str, key: str = "") -> PydanticCustomError:
    """What a check raises: why a value cannot be used, what would do, and the key where it is not the field's own."""
    return PydanticCustomError("refused", "{why}", {"why": why, "remedy": remedy, "key": key})


def _threshold(value: float) -> float:
    if 0.01 <= value <= 1:
        return value
    percent = f"{value:g} % is {value / 100:g}" if 1 < value <= 100 else "75 % is 0.75"
    raise refusal(
        f"{value:g} is refused: a utilisation threshold must lie between 1 and 100 per cent, written as a fraction",
        f"write a number from 0.01 to 1: {percent}",
    )


def _number(value: Any) -> Any:
    if isinstance(value, bool):  # it would pass as 0 or 1
        raise refusal(f"{str(value).lower()} is not a number", "write a number")
    return value


def _page_address(url: str) -> str:
    """An address that pages are seen under, without a slash at its end; empty where none is said."""
    remedy = 'write what people type to see the pages, as in public_url = "https://lopside.example.net"'
    try:
        parts = urlsplit(url)
        usable = not url or (parts.scheme in {"http", "https"} and parts.hostname and parts.port != 0)
    except ValueError:
        usable = False
    if not usable or not url.isprintable() or " " in url:
        raise refusal("this is not the address of a page", remedy)
    if url and (parts.username is not None or parts.query or parts.fragment):
        raise refusal("an address in messages holds no name, password, query or fragment", remedy)
    return url.rstrip("/")


def _speed(value: int) -> int:
    if not is_speed(value):
        raise refusal(f"{value} is refused: {SPEEDS}", "write it in bit/s: 1 Gbit/s is 1000000000")
    return value


def is_speed(value: int) -> bool:
    """Whether a port can be so fast, in bit/s."""
    return LEAST_BPS <= value <= MOST_BPS


def one_of(words: Sequence[str]) -> AfterValidator:
    """Only one of these words."""

    def check(word: str) -> str:
        if word not in words:
            raise refusal(f"{word!r} is none of the words known here", f"write one of {', '.join(words)}")
        return word

    return AfterValidator(check)


Number = BeforeValidator(_number)
Threshold = Annotated[float, Number, AfterValidator(_threshold)]
Count = Annotated[int, Number, Field(ge=1)]
Remembered = Annotated[int, Number, Field(ge=1, le=MOST_OF)]


def _some(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _mail_address() -> AfterValidator:
    def check(address: str) -> str:
        # RFC 5321, section 4.1.2, without quoted local parts and address literals.
        if not re.fullmatch(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~.-]{1,64}@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*", address):
            raise refusal(f"{address!r} is no address for mail", "write it like on-call@mail.example")
        return address

    return AfterValidator(check)


def known_zone(zone: str) -> str:
    """The name of a time zone, refused where there is none of that name."""
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as wrong:
        raise refusal(f"{zone!r} is not a time zone", "write it like UTC or Europe/Lisbon") from wrong
    return zone


class Section(BaseModel):
    """A table of the settings file: unknown keys are refused, values do not change once read."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    @model_validator(mode="before")
    @classmethod
    def _holds_no_secret(cls, told: Any) -> Any:
        for key in told if isinstance(told, Mapping) else ():
            if key.lower() in SECRET_WORDS and key not in cls.model_fields:
                raise refusal(
                    "a secret must not stand in the settings",
                    f"put it into the environment or a file and name that: {key}_env or {key}_file",
                    key,
                )
        return told


class Server(Section):
    """Where the service listens."""

    host: str = "127.0.0.1"
    port: int = Field(default=8430, ge=0, le=65_535)
    open_on_loopback: bool = True
    public_url: str = ""
    requests_per_s: Annotated[float, Number, Field(ge=0, le=1_000_000)] = 200
    body_within_s: Annotated[int, Number, Field(ge=1, le=3600)] = 60

    @field_validator("public_url")
    @classmethod
    def _is_an_address(cls, url: str) -> str:
        return _page_address(url)


class Database(Section):
    """Where state is kept."""

    url: SecretStr = SecretStr("sqlite:///lopside.sqlite")
    password_env: str | None = None
    password_file: str | None = None
    migrate: bool | None = None


class Rules(Section):
    """The thresholds that apply to every team without its own."""

    hot_above: Threshold = 0.75
    idle_below: Threshold = 0.30
    clear_below: Threshold = 0.70
    raise_windows: Count = 3
    raise_of: Remembered = 4
    clear_windows: Count = 10
    window_seconds: Annotated[int, Number, Field(ge=1, le=ROLLUP_S)] = 30
    coverage_min: Threshold = 0.80

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        for refused in disagreements(self):
            raise refused
        return self

    def rule(self) -> Rule:
        """The rule that these thresholds make."""
        return Rule(**self.model_dump())


def disagreements(rules: Rules) -> list[PydanticCustomError]:
    """Where values that are fine one by one contradict each other."""
    found = []
    if rules.clear_below >= rules.hot_above:
        why = f"the clear line {rules.clear_below:g} is not below the hot line {rules.hot_above:g}"
        found.append(refusal(why, "a finding could never clear, or never stay: lower clear_below", "clear_below"))
    if rules.idle_below >= rules.clear_below:
        why = f"the idle line {rules.idle_below:g} is not below the clear line {rules.clear_below:g}"
        found.append(refusal(why, "a busy sibling would count as idle: lower idle_below", "idle_below"))
    if rules.raise_windows > rules.raise_of:
        why = f"{rules.raise_windows} flagged windows can never be among the last {rules.raise_of}"
        found.append(refusal(why, "raise raise_of, or lower raise_windows", "raise_windows"))
    if ROLLUP_S % rules.window_seconds:
        why = f"windows of {rules.window_seconds} s do not fill the roll-ups of {ROLLUP_S} s"
        found.append(refusal(why, "take a divisor of 300, as 10, 15, 20, 30 or 60", "window_seconds"))
    return found


class Team(Section):
    """What is known of one team, and thresholds of its own with who set them and why."""

    device: str = Field(min_length=1)
    team: str = Field(min_length=1)
    method: Annotated[str, one_of(METHODS)] | None = None
    bundle: Annotated[str, one_of(BUNDLES)] | None = None
    hot_above: Threshold | None = None
    idle_below: Threshold | None = None
    clear_below: Threshold | None = None
    raise_windows: Count | None = None
    raise_of: Remembered | None = None
    clear_windows: Count | None = None
    coverage_min: Threshold | None = None
    set_by: str = ""
    because: str = ""

    @model_validator(mode="after")
    def _gives_its_reason(self) -> Self:
        if self.own_values():
            for key, asks in (("set_by", "who set it"), ("because", "why it is set")):
                if not getattr(self, key).strip():
                    raise refusal(f"a team's own rule must say {asks}", f'write {key} = "..."', key)
        return self

    def own_values(self) -> dict[str, float | int]:
        """The thresholds that this team has of its own."""
        told = {key: getattr(self, key) for key in Rules.model_fields if key in Team.model_fields}
        return {key: value for key, value in told.items() if value is not None}


class Port(Section):
    """The true speed of one port that claims another, with who set it and why."""

    device: str = Field(min_length=1)
    port: str = Field(min_length=1)
    speed_bps: Annotated[int, Number, AfterValidator(_speed)]
    set_by: str
    because: str

    @model_validator(mode="after")
    def _gives_its_reason(self) -> Self:
        for key, asks in (("set_by", "who set it"), ("because", "why it is set")):
            if not getattr(self, key).strip():
                raise refusal(f"a port's speed must say {asks}", f'write {key} = "..."', key)
        return self


def place_of(server: str) -> tuple[str, int]:
    """Host and port of "HOST:PORT" or "[IPv6]:PORT"; ValueError where it is neither."""
    parts = urlsplit(f"//{server}")
    if not parts.hostname or parts.port is None or parts.username is not None or parts.path:
        raise ValueError(server)
    return parts.hostname, parts.port


class Mail(Section):
    """A mail server that takes a route's messages, and from and to whom they go."""

    server: str
    sender: Annotated[str, _mail_address()]
    recipients: Annotated[tuple[Annotated[str, _mail_address()], ...], BeforeValidator(_some), Field(min_length=1)]
    tls: Annotated[str, one_of(TLS_WAYS)] = "starttls"
    user: str = ""
    password_env: str | None = None
    password_file: str | None = None

    @field_validator("server")
    @classmethod
    def _is_a_place(cls, server: str) -> str:
        try:
            place_of(server)
        except ValueError:
            raise refusal("this is no host with a port", 'write it like server = "mail.example:587"') from None
        return server

    @model_validator(mode="after")
    def _can_sign_in(self) -> Self:
        refs = sum(told is not None for told in (self.password_env, self.password_file))
        if refs != bool(self.user):
            why = "a user has exactly one password, and only a user has one"
            raise refusal(why, "give user and one of password_env and password_file, or none of them", "user")
        if self.user and self.tls == "none":
            raise refusal("a password would travel in clear text", 'write tls = "starttls" or "implicit"', "tls")
        return self


class Route(Section):
    """Who is told of which findings; URL and secrets may be named instead of written."""

    name: str = Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")
    url: SecretStr | None = None
    url_env: str | None = None
    url_file: str | None = None
    secret_env: Annotated[tuple[str, ...], BeforeValidator(_some)] = ()
    secret_file: Annotated[tuple[str, ...], BeforeValidator(_some)] = ()
    severities: tuple[Annotated[str, one_of(SEVERITIES)], ...] = SEVERITIES
    kinds: tuple[Annotated[str, one_of(KINDS)], ...] = KINDS
    devices: tuple[str, ...] = ()
    teams: tuple[str, ...] = ()
    allow_networks: tuple[str, ...] = ()
    owners: tuple[Annotated[str, one_of(OWNERS)], ...] = ()
    sites: tuple[str, ...] = ()
    give_up_after_h: int = Field(default=72, ge=1, le=24 * 14)
    zone: str = "UTC"
    mail: Mail | None = None
    template_file: str | None = None
    content_type: str = Field(default="application/json", pattern=r"^[a-z]+/[a-z0-9.+-]+(; *charset=utf-8)?$")
    authorization_env: str | None = None
    authorization_file: str | None = None
    unanswered_to: str | None = None
    unanswered_after_min: int = Field(default=15, ge=1, le=24 * 60)
    unheard_to: str | None = None
    unheard_after_min: int = Field(default=10, ge=1, le=24 * 60)
    silences: bool = True
    digest_at: str | None = Field(default=None, pattern=r"^([01]\d|2[0-3]):[0-5]\d$")

    @model_validator(mode="after")
    def _has_one_url(self) -> Self:
        if sum(told is not None for told in (self.url, self.url_env, self.url_file, self.mail)) != 1:
            raise refusal("a route goes to exactly one place", "give one of url, url_env, url_file and mail", "url")
        return self

    @model_validator(mode="after")
    def _is_of_one_form(self) -> Self:
        if self.authorization_env and self.authorization_file:
            raise refusal("there are two", "give one of authorization_env and authorization_file", "authorization_env")
        for key in ("template_file", "authorization_env", "authorization_file", "secret_env", "secret_file"):
            if self.mail is not None and getattr(self, key):
                raise refusal("an e-mail has none", f"leave {key} out, or give a url instead of mail", key)
        return self

    @model_validator(mode="after")
    def _passes_on_to_another(self) -> Self:
        for key in ("unanswered_to", "unheard_to"):
            if getattr(self, key) == self.name:
                raise refusal("a route cannot stand in for itself", "name another route", key)
        return self

    @field_validator("zone")
    @classmethod
    def _is_a_zone(cls, zone: str) -> str:
        return known_zone(zone)


class Ingest(Section):
    """How much a push may hold, and how far ahead of ours its times may be; older than samples are kept is too old."""

    max_body_bytes: int = Field(default=16 << 20, ge=1 << 10, le=1 << 30)
    max_unpacked_bytes: int = Field(default=64 << 20, ge=1 << 10, le=4 << 30)
    max_samples: int = Field(default=100_000, ge=1, le=10_000_000)
    future_s: int = Field(default=600, ge=0, le=86_400)
    require_signed: bool = False


class Lateness(Section):
    """How long windows wait for late samples before they are decided, and people before they hear of silence."""

    polled_s: int = Field(default=15, ge=0, le=3600)
    pushed_s: int = Field(default=90, ge=0, le=3600)
    silence_told_min: int = Field(default=15, ge=0, le=24 * 60)


class Retention(Section):
    """How long each kind of figure is kept."""

    samples_h: int = Field(default=48, ge=1, le=24 * 400)
    windows_d: int = Field(default=14, ge=1, le=4000)
    rollups_d: int = Field(default=400, ge=1, le=4000)
    events_d: int = Field(default=90, ge=1, le=4000)
    items_h: int = Field(default=48, ge=1, le=24 * 400)
    messages_d: int = Field(default=400, ge=1, le=4000)


class Keys(Section):
    """How long a new key lasts where nobody says."""

    days: int = Field(default=365, ge=1, le=3650)


class Verdicts(Section):
    """With which hours those after a change are compared: days begin in this zone, working days are one class."""

    zone: str = "UTC"
    working_days: tuple[Annotated[str, one_of(DAYS)], ...] = DAYS[:5]

    @field_validator("zone")
    @classmethod
    def _is_a_zone(cls, zone: str) -> str:
        return known_zone(zone)
