"""The section that says which proxy signs people in, and what they may do then."""

from __future__ import annotations

import ipaddress
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from service.settings.sections import Section, one_of, refusal

ROLES = ("view", "operate", "admin")
REMEDY = 'write what your provider says of itself, as in issuer = "https://sign-in.example.net"'


def _network(told: str) -> str:
    try:
        ipaddress.ip_network(told)
    except ValueError as wrong:
        raise refusal(f"{told!r} is no network: {wrong}", 'write it like "10.20.0.7/32"') from wrong
    if told.endswith("/0"):
        raise refusal(f"{told!r} is everybody", "name the proxy's own address")
    return told


class Role(Section):
    """What those may do in whose token a claim is, or lists, a value."""

    claim: str = Field(min_length=1, max_length=100)
    value: str = Field(min_length=1, max_length=200)
    role: Annotated[str, one_of(ROLES)]


class People(Section):
    """People whom a proxy has signed in by OpenID Connect; off as long as no proxy is trusted."""

    trusted: tuple[Annotated[str, AfterValidator(_network)], ...] = ()
    header: str = Field(default="x-id-token", pattern=r"^[A-Za-z0-9-]{1,64}$")
    issuer: str = ""
    audience: str = ""
    keys_file: str = ""
    name_claim: str = Field(default="email", min_length=1, max_length=100)
    roles: tuple[Role, ...] = ()

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        if not self.trusted:
            if self.issuer or self.audience or self.keys_file or self.roles:
                raise refusal("no proxy is trusted, so that nobody is signed in", 'write trusted = ["10.20.0.7/32"]')
            return self
        for name in ("issuer", "audience", "keys_file"):
            if not getattr(self, name):
                raise refusal("is missing, and without it no token can be checked", REMEDY, name)
        if self.header.lower() in {"authorization", "cookie", "host"}:
            raise refusal(f"{self.header} has a meaning of its own", "let the proxy use a header of its own", "header")
        if not self.roles:
            raise refusal("nobody is granted a role", "add [[people.roles]] with claim, value and role", "roles")
        return self
