"""Administration: settings, keys, tables, and trying a route out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import WHO, database_of, settings_from, with_settings

if TYPE_CHECKING:
    from service.storage.keys import Key

# The same words as storage.keys.ROLES, which would be slow to import for --help; a test compares them.
ROLES = ("feed", "view", "operate", "admin")
FLAGGED_BY_LUCK = 0.1  # what settings check reckons with
DAY_MS = 86_400_000
FAILED = 1


@click.group()
def settings() -> None:
    """Look after the settings file."""


@settings.command("check")
@with_settings
def check_settings(settings_file: Path | None) -> None:
    """Read the settings as a start would, and say what is wrong with them."""
    from service.app.people import people_of
    from service.rules.tuning import false_raise_chance
    from service.settings.references import database_url
    from service.settings.routing import routes_of

    told = settings_from(settings_file)
    database_url(told.database)
    people_of(told)
    routes = routes_of(told)
    unsigned = [route.name for route in routes if not route.secrets and route.mail is None]
    click.echo(
        f"good: {settings_file or 'defaults'}: {told.server.host}:{told.server.port},"
        f" {len(told.teams)} teams with values of their own, {len(routes)} routes"
    )
    chance = false_raise_chance(FLAGGED_BY_LUCK, told.rules.rule())
    click.echo(
        f"rules: were {FLAGGED_BY_LUCK * 100:.0f} % of the windows flagged by luck,"
        f" {told.rules.raise_windows} of the last {told.rules.raise_of} would be so with a chance of {chance:.2g}"
    )
    for name in unsigned:
        click.echo(f"note: route {name} has no secret, so that its receiver cannot tell who sent a message", err=True)


@click.group()
def key() -> None:
    """Make, list and revoke the keys with which others call the service."""


@key.command("new")
@with_settings
@click.option("--name", required=True, help="Whose key it is; names are not used twice.")
@click.option("--role", required=True, type=click.Choice(ROLES), help="What it may do.")
@click.option("--days", type=click.IntRange(1, 3650), help="How long it lasts, over keys.days of the settings.")
def new_key(settings_file: Path | None, name: str, role: str, days: int | None) -> None:
    """Make a key and show it, this once: only its hash is kept."""
    from service import app
    from service.storage import audit, keys

    told = settings_from(settings_file)
    now_ms = app.now_ms()
    expires_ms = now_ms + (days or told.keys.days) * DAY_MS
    with database_of(told).begin() as connection:
        made = keys.make(connection, name, role, now_ms, expires_ms)
        audit.note(connection, now_ms, WHO, "key made", name, {"role": role, "expires_ms": expires_ms})
    click.echo(made)
    click.echo(f"role {role}, until {_day(expires_ms)}; it is not shown again", err=True)


@key.command("list")
@with_settings
def list_keys(settings_file: Path | None) -> None:
    """List the keys there are and were; the keys themselves are kept nowhere."""
    from service import app
    from service.storage import database, keys

    with database.reading(database_of(settings_from(settings_file))) as connection:
        for one in keys.listing(connection):
            click.echo(f"{one.name}\t{one.role}\t{_state(one, app.now_ms())}")


@key.command("revoke")
@with_settings
@click.argument("name")
def revoke_key(settings_file: Path | None, name: str) -> None:
    """End a key at once."""
    from service import app
    from service.storage import audit, keys

    now_ms = app.now_ms()
    with database_of(settings_from(settings_file)).begin() as connection:
        keys.revoke(connection, name, now_ms)
        audit.note(connection, now_ms, WHO, "key revoked", name)
    click.echo(f"revoked: {name}")


@click.command()
@with_settings
@click.option("--back-to", metavar="STEP", help="Take them back instead, to a step such as 0005: data is lost by it.")
def migrate(settings_file: Path | None, back_to: str | None) -> None:
    """Bring the database's tables up to this release; does nothing where they are.

    A release before can work on the tables of this one without any --back-to, unless this says otherwise.
    """
    from service import app
    from service.settings.references import database_url
    from service.storage import database

    told = settings_from(settings_file)
    if back_to is None:
        app.database_of(told, migrate=True)
        click.echo("the tables are those of this release")
    else:
        database.take_back(database.open(database_url(told.database)), back_to)
        click.echo(f"the tables are those of step {back_to}; start no process of this release on them")


@click.command()
@with_settings
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
def backup(settings_file: Path | None, file: Path) -> None:
    """Copy everything that is kept to FILE, of one moment, while the service runs."""
    from service.settings.references import database_url
    from service.storage import backups, database

    octets = backups.take(database.open(database_url(settings_from(settings_file).database)), file)
    click.echo(f"{file}: {octets:,} octets; it names devices, ports and people: keep it as closed as the database")


@click.command()
@with_settings
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
def restore(settings_file: Path | None, file: Path) -> None:
    """Fill the empty database of the settings from FILE, and bring its tables up to this release."""
    from service.settings.references import database_url
    from service.storage import backups, database

    engine = database.open(database_url(settings_from(settings_file).database))
    backups.put_back(engine, file)
    engine.dispose()
    click.echo("restored; start the service when its settings and secrets are in place")


@click.group()
def message() -> None:
    """Look after the messages that go out."""


@message.command("test")
@with_settings
@click.argument("route")
def try_out(settings_file: Path | None, route: str) -> None:
    """Send a message marked as a test to ROUTE, once, and say what its receiver answered."""
    from service import app
    from service.commands import trying

    answer = trying.sent(settings_from(settings_file), route, app.now_ms())
    click.echo(f"{route} answered {answer.status} after {answer.took_ms} ms")
    if not trying.is_taken(answer):
        click.get_current_context().exit(FAILED)


def _state(one: Key, now_ms: int) -> str:
    if one.revoked_ms is not None:
        return f"revoked {_day(one.revoked_ms)}"
    if one.expires_ms is None:
        return "usable"
    return f"{'usable until' if one.expires_ms > now_ms else 'expired'} {_day(one.expires_ms)}"


def _day(ms: int) -> str:
    from service.webhooks.fields import instant

    return (instant(ms) or "")[:10]


COMMANDS: tuple[click.Command, ...] = (settings, key, migrate, backup, restore, message)
