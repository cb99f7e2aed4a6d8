"""What the settings refer to: secrets that stand in the environment or in files."""

from __future__ import annotations

import os
from pathlib import Path

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from service.errors import WrongSetting
from service.settings import collecting, sections
from service.settings.reading import Settings
from service.snmp import agents as snmp

LEAST_PHRASE = 8  # RFC 3414, section 11.2


def agents_of(settings: Settings) -> tuple[snmp.Watch, ...]:
    """The agents to poll with their credentials in hand, and how often."""
    held = {each.name: credentials_of(settings, each.name) for each in settings.credentials}
    return tuple(_watch(agent, settings.collection, held[agent.credentials]) for agent in settings.agents)


def credentials_of(settings: Settings, name: str) -> snmp.Credentials:
    """Credentials by their name with the secrets that they refer to, or a refusal that names the line of the file."""
    for at, each in enumerate(settings.credentials):
        if each.name == name:
            try:
                return _credentials(each, f"credentials[{at}]")
            except WrongSetting as wrong:
                line = settings.line_of("credentials", at, wrong.key.rpartition(".")[2])
                raise WrongSetting(wrong.key, wrong.why, wrong.remedy, line) from None
    raise WrongSetting("credentials", f"no credentials are called {name!r}", "describe them in [[credentials]]")


def agent_at(settings: Settings, address: str, credentials: str | None) -> snmp.Agent:
    """An agent that the settings do not list, at an address, with credentials of theirs."""
    known = ", ".join(each.name for each in settings.credentials)
    if credentials is None and len(settings.credentials) != 1:
        remedy = f"name one of {known}" if known else "describe some in [[credentials]] and name them"
        raise WrongSetting("credentials", f"nothing says what {address} lets us in by", remedy)
    held = credentials_of(settings, credentials or settings.credentials[0].name)
    try:
        collecting.place_of(address)
    except ValueError:
        raise WrongSetting("address", f"{address!r} is neither a device of the settings nor an address") from None
    told = collecting.Agent(device=address, address=address, credentials="-")
    return _watch(told, settings.collection, held).agent


def _watch(told: collecting.Agent, general: collecting.Collection, held: snmp.Credentials) -> snmp.Watch:
    host, port = collecting.place_of(told.address)
    timeout_s = general.timeout_s if told.timeout_s is None else told.timeout_s
    retries = general.retries if told.retries is None else told.retries
    agent = snmp.Agent(told.device, host, port, held, timeout_s, 1 + retries)
    return snmp.Watch(agent, (told.interval_s or general.interval_s) * 1000)


def _credentials(told: collecting.Credentials, key: str) -> snmp.Credentials:
    if told.version != "3":
        return snmp.Community(told.version, _secret(told, "community", key))
    return snmp.User(
        told.user or "",
        told.authentication,
        _phrase(told, "authentication", key),
        told.privacy,
        _phrase(told, "privacy", key),
    )


def _phrase(told: collecting.Credentials, of: str, key: str) -> str:
    if getattr(told, of) == "none":
        return ""
    phrase = _secret(told, of, key)
    if len(phrase) < LEAST_PHRASE:
        where = f"{key}.{of}_env" if getattr(told, f"{of}_env") else f"{key}.{of}_file"
        raise WrongSetting(where, f"the passphrase is shorter than {LEAST_PHRASE} characters", "agents refuse it so")
    return phrase


def _secret(told: collecting.Credentials, of: str, key: str) -> str:
    if variable := getattr(told, f"{of}_env"):
        return from_environment(variable, f"{key}.{of}_env")
    return from_file(getattr(told, f"{of}_file"), f"{key}.{of}_file")


def database_url(database: sections.Database) -> str:
    """The database's address with the password that the settings refer to."""
    url = _address(database.url.get_secret_value())
    if database.password_env:
        url = url.set(password=from_environment(database.password_env, "database.password_env"))
    elif database.password_file:
        url = url.set(password=from_file(database.password_file, "database.password_file"))
    return url.render_as_string(hide_password=False)


def from_environment(name: str, key: str) -> str:
    """What a variable holds, or a refusal that names it and not what it holds."""
    if not os.environ.get(name):
        raise WrongSetting(key, f"the environment has no {name}", "set it before the start, or name a file")
    return os.environ[name]


def from_file(name: str, key: str) -> str:
    """What a file holds, without the newline at its end."""
    try:
        held = Path(name).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as wrong:
        raise WrongSetting(key, f"{name} cannot be read: {type(wrong).__name__}", "name a file of text") from None
    if not held:
        raise WrongSetting(key, f"{name} is empty", "write the secret into it")
    return held


def _address(url: str) -> URL:
    try:
        return make_url(url)
    except (ArgumentError, ValueError):  # the latter for a port that is no number
        raise WrongSetting(
            "database.url", "this is not an address", "write sqlite:///lopside.sqlite or postgresql://host/name"
        ) from None  # the cause would show the address
