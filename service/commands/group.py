"""What all commands share: how a refusal ends, and where the settings come from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from service.errors import ServiceError

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from service.settings.reading import Settings

Command = TypeVar("Command", bound=Callable[..., Any])

# Enough to see what is wrong with a file; counts say how much there is.
MOST_SHOWN = 1000
# Who the audit names for what is done on the command line.
WHO = "command line"
REFUSED = 2  # also click's own status for a command line that it cannot read


class Commands(click.Group):
    """A group of commands in which whatever the service refuses ends in one line a refusal, and no traceback."""

    def invoke(self, context: click.Context) -> Any:
        """Run what was asked for."""
        try:
            return super().invoke(context)
        except ServiceError as refused:
            for line in str(refused).splitlines():
                click.echo(printable(f"lopside: {line}"), err=True)
            context.exit(REFUSED)


def printable(text: str) -> str:
    """Names come from strangers: what could steer a terminal is shown as a question mark."""
    return "".join(letter if letter.isprintable() or letter == "\n" else "?" for letter in text)


def tell_rejects(lines: Sequence[str]) -> None:
    """Name on stderr what was not taken, as far as anybody reads."""
    for line in lines[:MOST_SHOWN]:
        click.echo(printable(line), err=True)
    if len(lines) > MOST_SHOWN:
        click.echo(f"and {len(lines) - MOST_SHOWN} more", err=True)


def with_settings(command: Command) -> Command:
    """Give a command the option that names the settings file."""
    option = click.option(
        "--settings",
        "settings_file",
        type=click.Path(path_type=Path, dir_okay=False),
        envvar="LOPSIDE_SETTINGS",
        help="The settings file (TOML); without one the defaults apply. Environment: LOPSIDE_SETTINGS.",
    )
    return option(command)


def settings_from(file: Path | None) -> Settings:
    """The settings of a file, or the defaults, with the environment over them."""
    from service.settings.reading import read

    return read(file)


def database_of(settings: Settings) -> Engine:
    """The database that the settings name, with the tables of this release."""
    from service import app

    return app.database_of(settings)
