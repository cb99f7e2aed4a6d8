"""Who may do what: keys with roles, people whom a proxy signed in, and this machine's own users."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Request, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer

from service.errors import CrossSite, NoKey, WrongRole
from service.storage import database, keys
from service.web.people import People
from service.web.services import Served, Services

FEED, VIEW, OPERATE, ADMIN = "feed", "view", "operate", "admin"
MAY = {
    FEED: {FEED},
    VIEW: {VIEW},
    OPERATE: {VIEW, OPERATE},
    ADMIN: {FEED, VIEW, OPERATE, ADMIN},
}
READING = {"GET", "HEAD", "OPTIONS"}
# Whoever adds these passes on what somebody else asked, who need not be on this machine.
PASSED_ON = (
    "forwarded",
    "x-forwarded-for",
    "x-forwarded-host",
    "x-forwarded-proto",
    "x-forwarded-port",
    "x-forwarded-server",
    "x-real-ip",
    "via",
)
# What a browser sends for a page without asking whether it may (Fetch standard, "CORS-safelisted request-header").
# Samples never come as one of these.
FORMS = ("application/x-www-form-urlencoded", "multipart/form-data", "text/plain")

_bearer = HTTPBearer(
    auto_error=False, description="A key made by `lopside key new`; on loopback the embedded service asks for none."
)
Told = Annotated[HTTPAuthorizationCredentials | None, Security(_bearer)]


@dataclass(frozen=True)
class Caller:
    """Who asks; without a name of their own where no key was asked for."""

    name: str
    role: str
    secret: str = field(default="", repr=False)
    is_passed: bool = False  # by a proxy that signed them in, with every request of their browser

    @property
    def is_keyless(self) -> bool:
        """Whether somebody on this machine asks without a key."""
        return not self.secret

    @property
    def comes_by_itself(self) -> bool:
        """Whether a browser would show who asks even with what a page of a stranger has it send."""
        return self.is_keyless or self.is_passed


def needs(role: str) -> Callable[[Request, Services, HTTPAuthorizationCredentials | None], Caller]:
    """A dependency: the caller, refused where they may not do what this role may."""

    def caller(request: Request, services: Served, told: Told) -> Caller:
        who = caller_of(request, services, told.credentials if told else "")
        if role not in MAY[who.role]:
            raise WrongRole(who.role, role)
        if role != FEED and who.comes_by_itself and request.headers.get("content-type", "").startswith(FORMS):
            raise CrossSite("a form of any page could send this; send application/json, or a key")
        return who

    return caller


def caller_of(request: Request, services: Services, secret: str) -> Caller:
    """Who asks, by their key or by being on this machine; NoKey where neither tells."""
    if secret:
        return _with_key(services, secret)
    if services.people and (token := request.headers.get(services.people.header)):
        return _passed(request, services.people, token, services.now_ms() / 1000)
    if "authorization" in request.headers or not (services.open_on_loopback and is_from_here(request)):
        raise NoKey
    if request.method not in READING and is_sent_by_a_page(request):
        raise CrossSite("a page of another site may change nothing here; send a key, or no Origin")
    return Caller("loopback", ADMIN)


def _passed(request: Request, people: People, token: str, now_s: float) -> Caller:
    if request.method not in READING and is_sent_by_a_page(request):
        raise CrossSite("a page of another site may change nothing here")
    name, role = people.who(token, request.client.host if request.client else "", now_s)
    return Caller(name, role, token, is_passed=True)


def _with_key(services: Services, secret: str) -> Caller:
    with database.reading(services.engine) as connection:
        key = keys.find(connection, secret, services.now_ms())
    if key is None:
        raise NoKey("this key is unknown, revoked or has run out; make one with `lopside key new`")
    return Caller(key.name, key.role, secret)


def is_from_here(request: Request) -> bool:
    """Whether somebody on this machine asks this machine by its own name.

    The name matters: a page of a stranger can have its own name resolve to 127.0.0.1, and then
    the browser of somebody on this machine asks in its stead, but with the stranger's name.
    """
    if request.client is None or any(header in request.headers for header in PASSED_ON):
        return False
    return _is_loopback(request.client.host) and _is_loopback(_host_named(request))


def _host_named(request: Request) -> str:
    try:
        return urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
    except ValueError:
        return ""


def _is_loopback(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host.lower() == "localhost"
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return (mapped or address).is_loopback


def is_sent_by_a_page(request: Request) -> bool:
    """Whether a browser sends this on behalf of a page of another site."""
    origin, site = request.headers.get("origin"), request.headers.get("sec-fetch-site", "none")
    host = request.headers.get("host", "")
    if site == "same-origin" and origin is not None:
        # The browser compared all of it; who ends TLS before us is asked by another scheme than we are.
        return origin not in (f"https://{host}", f"http://{host}")
    return site not in ("none", "same-origin") or (origin is not None and origin != f"{request.url.scheme}://{host}")
