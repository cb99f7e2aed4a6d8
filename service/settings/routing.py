"""Routes as the settings describe them: URLs checked, templates tried, secrets in hand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import time
from pathlib import Path
from typing import Any

from service.errors import UnusableTemplate, WrongSetting
from service.settings import sections
from service.settings.reading import Settings
from service.settings.references import from_environment, from_file
from service.webhooks import guard, signature
from service.webhooks.mail import MailDoor
from service.webhooks.routes import Instead, Route

MOST_TEMPLATE = 65_536  # octets of a file


def routes_of(settings: Settings) -> tuple[Route, ...]:
    """The routes with their URLs checked and their secrets in hand."""
    return tuple(_placed(settings, at) for at in range(len(settings.routes)))


def _placed(settings: Settings, at: int) -> Route:
    """One route, or a refusal that also names the line of the file."""
    try:
        return replace(_route(settings.routes[at], f"routes[{at}]"), pages_at=settings.server.public_url)
    except WrongSetting as wrong:
        line = settings.line_of("routes", at, wrong.key.rpartition(".")[2])
        raise WrongSetting(wrong.key, wrong.why, wrong.remedy, line) from wrong.__cause__


def _route(route: sections.Route, key: str) -> Route:
    allow = guard.networks(route.allow_networks, f"{key}.allow_networks")
    return Route(
        name=route.name,
        url="" if route.mail else guard.check_url(_url(route, key), allow, f"{key}.url"),
        secrets=_secrets(route, key),
        severities=frozenset(route.severities),
        kinds=frozenset(route.kinds),
        allow_networks=allow,
        devices=route.devices,
        teams=route.teams,
        owners=frozenset(route.owners),
        sites=route.sites,
        give_up_after_h=route.give_up_after_h,
        zone=route.zone,
        authorization=_authorization(route, key),
        mail=_mail(route.mail, f"{key}.mail") if route.mail else None,
        unanswered=Instead(route.unanswered_to, route.unanswered_after_min) if route.unanswered_to else None,
        unheard=Instead(route.unheard_to, route.unheard_after_min) if route.unheard_to else None,
        silences=route.silences,
        digest_at=time.fromisoformat(route.digest_at) if route.digest_at else None,
        **_form(route, key),
    )


def _url(route: sections.Route, key: str) -> str:
    if route.url_env:
        return from_environment(route.url_env, f"{key}.url_env")
    if route.url_file:
        return from_file(route.url_file, f"{key}.url_file")
    return route.url.get_secret_value() if route.url else ""


def _secrets(route: sections.Route, key: str) -> tuple[bytes, ...]:
    variables = [(from_environment(name, f"{key}.secret_env"), f"{key}.secret_env") for name in route.secret_env]
    files = [(from_file(name, f"{key}.secret_file"), f"{key}.secret_file") for name in route.secret_file]
    return tuple(signature.secret_of(held, where) for held, where in (*variables, *files))


def _authorization(route: sections.Route, key: str) -> str:
    """What stands in the header of that name: a scheme and a token, on one line of ASCII."""
    if route.authorization_env:
        where, held = f"{key}.authorization_env", from_environment(route.authorization_env, f"{key}.authorization_env")
    elif route.authorization_file:
        where, held = f"{key}.authorization_file", from_file(route.authorization_file, f"{key}.authorization_file")
    else:
        return ""
    if not held.isascii() or not held.isprintable():
        raise WrongSetting(where, "a header holds one line of ASCII", "write it like: Bearer and the token")
    return held


def _mail(mail: sections.Mail, key: str) -> MailDoor:
    password = ""
    if mail.password_env:
        password = from_environment(mail.password_env, f"{key}.password_env")
    elif mail.password_file:
        password = from_file(mail.password_file, f"{key}.password_file")
    host, port = sections.place_of(mail.server)
    return MailDoor(host, port, mail.sender, mail.recipients, mail.tls, mail.user, password)


def _form(route: sections.Route, key: str) -> dict[str, Any]:
    """The template of a route, tried on one message of each kind: better refused now than at night."""
    if route.template_file is None:
        return {}
    from service.webhooks.forms import Form

    where = f"{key}.template_file"
    try:
        form = Form(_text(route.template_file, where), route.content_type)
        for event in _examples():
            form.body_of(event)
    except UnusableTemplate as wrong:
        raise WrongSetting(where, wrong.why, "values are named as in {{ text|tojson }}; see the README") from None
    return {"form": form}


def _text(name: str, key: str) -> str:
    try:
        held = Path(name).read_bytes()
        return held[:MOST_TEMPLATE].decode()
    except (OSError, UnicodeDecodeError) as wrong:
        raise WrongSetting(key, f"{name} cannot be read: {type(wrong).__name__}", "name a file of text") from None


def _examples() -> Iterator[dict[str, Any]]:
    from service.webhooks import envelope, grouped, silences, trying

    for what in ("raised", "severity", "cleared", "combined"):
        yield envelope.event_of(envelope.example_body(what))
    yield grouped.example()
    yield silences.example()
    yield silences.example(silences.HEARD)
    yield trying.event("example", "test-0000000000000000", 0)
