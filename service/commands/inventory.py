"""`lopside inventory`: what people declare of ports, from a file, and how it compares with what is there."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import WHO, database_of, printable, settings_from, tell_rejects, with_settings

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from service.commands.inventoried import Imported
    from service.evaluation.standing import Standing

SOME_REFUSED = 1
AT_ONCE = 500


@click.group()
def inventory() -> None:
    """Declare ports: their teams, roles, far ends, owners and sites."""


@inventory.command("import")
@with_settings
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what would change, and keep nothing.")
@click.option("--remove-missing", is_flag=True, help="Remove what was declared before and the file no longer holds.")
def import_inventory(settings_file: Path | None, file: Path, dry_run: bool, remove_missing: bool) -> None:
    """Take an inventory FILE in: CSV with device, port, team, role, override, far_device, far_port, owner and site.

    Without --remove-missing nothing is removed; what the file no longer holds is listed. Ends with 0 where
    every line was taken, 1 where some were refused, 2 where the file could not be used.
    """
    from service import app
    from service.commands import inventoried

    listed = inventoried.listed_in(file)
    engine = database_of(settings_from(settings_file))
    how = {"dry_run": dry_run, "remove_missing": remove_missing}
    done = inventoried.imported(engine, listed, file, who=WHO, now_ms=app.now_ms(), **how)
    tell_rejects([f"{file}, line {reject.index}: {reject.reason}" for reject in listed.rejects])
    _tell(done, dry_run)
    if remove_missing and listed.rejects:
        click.echo("nothing was removed, because lines were refused that may be about it: mend them first", err=True)
    click.get_current_context().exit(SOME_REFUSED if listed.rejects else 0)


@inventory.command()
@with_settings
@click.option("--json", "as_json", is_flag=True, help="One JSON object a port for programs, a line each.")
@click.option("--conflict", is_flag=True, help="Only ports about which people and devices disagree.")
def show(settings_file: Path | None, as_json: bool, conflict: bool) -> None:
    """Show every port that is declared, discovered or heard, and where people and devices disagree."""
    from service.storage import database
    from service.web.inventory import told

    with database.reading(database_of(settings_from(settings_file))) as connection:
        for some in _pages(connection, conflict):
            lines = map(json.dumps, told(connection, some)) if as_json else map(_line, some)
            for line in lines:
                click.echo(line)


def _pages(connection: Connection, conflict: bool) -> Iterator[Sequence[Standing]]:
    from service import app
    from service.evaluation import standing

    cursor, now_ms = None, app.now_ms()
    while True:
        page = standing.page(connection, now_ms, conflict=conflict or None, cursor=cursor, limit=AT_ONCE)
        yield page.items
        cursor = page.cursor
        if cursor is None:
            return


def _tell(done: Imported, dry_run: bool) -> None:
    verb = "removed" if done.removed else "no longer in the file, and kept"
    for claim in done.absent:
        click.echo(printable(f"{claim.device} {claim.port}: {verb}"))
    click.echo(
        f"{done.ports} ports declared, {len(done.changed)} of them new or changed; {len(done.absent)} {verb}"
        + (" (dry run: nothing was kept)" if dry_run else "")
    )


def _line(one: Standing) -> str:
    from service.terms import ROLE_WORDS

    believed = one.believed
    said = [f"team {believed.team}" if believed.team else "in no team", ROLE_WORDS[believed.role]]
    marks = {"missing on the network": one.missing, "not in the inventory": one.unknown}
    said += [mark for mark, holds in marks.items() if holds]
    said += [f"conflict: {believed.conflict}"] if believed.conflict else []
    return printable(f"{believed.device} {believed.port}: {', '.join(word for word in said if word)}")


COMMANDS: tuple[click.Command, ...] = (inventory,)
