"""`lopside import`: counter files into the database that the settings name, or into a running service."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import settings_from, tell_rejects, with_settings
from service.commands.mapped import Mapped, with_mapping

if TYPE_CHECKING:
    from service.ingest import Taken

SOME_REFUSED = 1


@click.command("import")
@with_settings
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what would be taken, and keep nothing.")
@click.option("--to", "url", metavar="URL", help="A running service, instead of the database of the settings.")
@click.option("--key-env", metavar="NAME", help="The environment variable that holds the key for it.")
@click.option("--zone", metavar="ZONE", help="The time zone of times that name none, as Europe/Lisbon.")
@click.option("--kilo", type=click.IntRange(1), metavar="N", help="How many octets the k of kBps stands for. [1000]")
@with_mapping
def import_files(  # noqa: PLR0913, PLR0917  # each option by its name
    settings_file: Path | None,
    files: Sequence[Path],
    dry_run: bool,
    url: str | None,
    key_env: str | None,
    zone: str | None,
    kilo: int | None,
    mapped: Mapped,
) -> None:
    """Bring counter files in; what is there already is counted and left alone.

    Ends with 0 where every line was taken, 1 where some were refused, 2 where the input could not be used.
    """
    from service.commands import imported

    if url and (dry_run or zone or kilo or mapped):
        raise click.UsageError(
            "a running service reads files by its own rules: leave out --dry-run, --zone, --kilo, --vantage and what"
            " maps columns, or leave out --to"
        )
    reading = mapped.reading(zone, kilo, settings_file)
    refused = False
    for file in files:
        if url:
            taken = imported.into_service(imported.Service.at(url, key_env), file)
        else:
            taken = imported.into_database(settings_from(settings_file), file, reading, dry_run=dry_run)
        _tell(file, taken, dry_run)
        refused = refused or bool(taken.rejected)
    click.get_current_context().exit(SOME_REFUSED if refused else 0)


def _tell(file: Path, taken: Taken, dry_run: bool) -> None:
    tell_rejects([f"{file}, line {reject.index}: {reject.reason}" for reject in taken.rejected])
    click.echo(
        f"{file}: {taken.accepted} accepted, {taken.duplicates} duplicates, {len(taken.rejected)} rejected"
        + (" (dry run: nothing was kept)" if dry_run else "")
    )


COMMANDS: tuple[click.Command, ...] = (import_files,)
