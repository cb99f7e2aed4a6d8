"""`lopside advice`: what could be done about a finding, with the odds, and a sheet for change control."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import database_of, printable, settings_from, tell_rejects, with_settings

if TYPE_CHECKING:
    from service.evaluation.advising import Found

METAVAR = "NAME=RATE@PORT"


@click.command()
@with_settings
@click.argument("finding", required=False)
@click.option(
    "--file",
    "files",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A counter file to advise on instead of the database; may be given again.",
)
@click.option("--team", metavar="DEVICE/TEAM", help="With --file: only findings of this team.")
@click.option("--direction", type=click.Choice(("egress", "ingress")), help="With --file: only of this direction.")
@click.option(
    "--item",
    "items",
    multiple=True,
    metavar=METAVAR,
    help="With --file: a virtual port and the member it is on, as night-copy=430M@m1; may be given again.",
)
@click.option(
    "--streams",
    multiple=True,
    metavar="NAME=COUNT",
    help="Into how many alike, parallel conversations an item can be split, as night-copy=8; may be given again.",
)
@click.option("--option", metavar="NAME", help="The change sheet of this option instead, as virtual-port.")
@click.option("--json", "as_json", is_flag=True, help="JSON for programs, one object a finding and line.")
def advice(  # noqa: PLR0913, PLR0917  # an argument for each option there is
    settings_file: Path | None,
    finding: str | None,
    files: Sequence[Path],
    team: str | None,
    direction: str | None,
    items: Sequence[str],
    streams: Sequence[str],
    option: str | None,
    as_json: bool,
) -> None:
    """Say what could be done about a FINDING: every option, its odds, its prerequisites, what could go wrong.

    It advises only: an authorised person decides, by local change control. Nothing is changed, and no command is
    given to paste. The finding is taken from the database that the settings name, or with --file from counter
    files, whose items --item can state.
    """
    from service.rules.advice.stated import streams_of

    stated = streams_of(streams)
    if (finding is None) == (not files):
        raise click.UsageError("name a FINDING, or counter files with --file")
    if finding is not None and (team or direction or items):
        raise click.UsageError("--team, --direction and --item go with --file")
    if finding is not None:
        _tell([_kept(settings_file, finding, stated)], option, as_json)
        return
    from service.commands import advised_files

    wanted = advised_files.Wanted(team or "", direction or "", tuple(items))
    found, rejects = advised_files.found_in(files, wanted, stated)
    tell_rejects(rejects)
    if not found:
        click.echo("Nothing was raised there, so there is nothing to advise on.", err=True)
    _tell(found, option, as_json)


def _kept(settings_file: Path | None, finding: str, stated: dict[str, int]) -> Found:
    from service import app
    from service.app.parts import policy_of
    from service.evaluation import advising
    from service.storage import database

    settings = settings_from(settings_file)
    with database.reading(database_of(settings)) as connection:
        return advising.found(connection, finding, policy_of(settings), app.now_ms(), stated)


def _tell(found: Sequence[Found], option: str | None, as_json: bool) -> None:
    import json
    from dataclasses import asdict

    from service.rules.advice import written

    for number, one in enumerate(found):
        made = one.sheet(option) if option else one.advice
        if as_json:
            click.echo(json.dumps(asdict(made)))
            continue
        if number:
            click.echo("")
        text = written.of_sheet(one.sheet(option)) if option else written.of_advice(one.advice, one.heading)
        click.echo(printable(text), nl=False)


COMMANDS: tuple[click.Command, ...] = (advice,)
