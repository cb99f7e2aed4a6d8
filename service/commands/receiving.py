"""`lopside receive` and `lopside items`: what is finer than a port, heard from exporters or brought in from files."""

from __future__ import annotations

from pathlib import Path

import click

from service.commands.group import database_of, settings_from, tell_rejects, with_settings
from service.errors import UnusableInput

SOME_REFUSED = 1
MOST_OCTETS = 64 << 20


@click.command()
@with_settings
def receive(settings_file: Path | None) -> None:
    """Hear IPFIX and sFlow of the exporters in the settings and keep it by member, until told to stop.

    Such records reveal who talks to whom: hear them only where that is agreed, over a network meant for it.
    """
    from service import app, logs

    logs.to_stderr()
    app.receive(settings_from(settings_file))


@click.group()
def items() -> None:
    """Virtual ports and conversations on members."""


@items.command("import")
@with_settings
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
def import_items(settings_file: Path | None, files: tuple[Path, ...]) -> None:
    """Take items in: files of CSV, or of JSON where they end in .json, with the columns of `POST /v1/items`.

    What is there already is counted and left alone. Ends with 0 where every item was taken, 1 where some
    were refused, 2 where a file could not be used.
    """
    from service import app
    from service.feeds import items as feed
    from service.records import pushed

    settings = settings_from(settings_file)
    engine, limits, refused = database_of(settings), settings.limits(), False
    for file in files:
        told = feed.parse(_octets(file), feed.JSON if file.suffix == ".json" else feed.CSV, limits=limits)
        taken = pushed.keep(engine, told, app.now_ms(), limits)
        place = "item" if file.suffix == ".json" else "line"
        tell_rejects([f"{file}, {place} {reject.index}: {reject.reason}" for reject in taken.rejected])
        click.echo(f"{file}: {taken.accepted} accepted, {taken.duplicates} duplicates, {len(taken.rejected)} rejected")
        refused = refused or bool(taken.rejected)
    click.get_current_context().exit(SOME_REFUSED if refused else 0)


def _octets(file: Path) -> bytes:
    """What a file holds, not more than is read at once."""
    try:
        with file.open("rb") as stream:
            octets = stream.read(MOST_OCTETS + 1)
    except OSError as failure:
        raise UnusableInput(str(file), f"cannot be read: {failure.strerror}") from failure
    if len(octets) > MOST_OCTETS:
        raise UnusableInput(str(file), f"is longer than {MOST_OCTETS} octets", "split it")
    return octets


COMMANDS: tuple[click.Command, ...] = (receive, items)
