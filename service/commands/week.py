"""`lopside week`: what seven whole days came to, as text or as a file."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import database_of, printable, settings_from, with_settings

if TYPE_CHECKING:
    from datetime import datetime

    from service.reports.paper import Paper, Sheet
    from service.rules.weekly.week import Week
    from service.settings.reading import Settings


@click.command()
@with_settings
@click.option("--until", type=click.DateTime(["%Y-%m-%d"]), help="The day at whose beginning (UTC) it ends. [today]")
@click.option("--format", "form", type=click.Choice(["text", "json", "csv", "pdf"]), default="text", show_default=True)
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="The file to write; a PDF needs one.")
def week(settings_file: Path | None, until: datetime | None, form: str, output: Path | None) -> None:
    """Show the week: what lay stranded, who cannot lose a member, and where the even split is heading.

    The same week gives the same text and the same files. It advises; it changes nothing.
    """
    if form == "pdf" and output is None:
        raise click.UsageError("--format pdf needs --output")
    settings = settings_from(settings_file)
    octets = _written(_found(settings, until), form, settings.server.public_url.rstrip("/"))
    if output is not None:
        output.write_bytes(octets)
    else:
        click.echo(octets.decode(), nl=False)


def _found(settings: Settings, until: datetime | None) -> Week:
    from datetime import UTC

    from service import app
    from service.app.parts import policy_of
    from service.evaluation import weekly
    from service.storage import database

    until_ms = app.now_ms() if until is None else int(until.replace(tzinfo=UTC).timestamp()) * 1000
    with database.reading(database_of(settings)) as connection:
        return weekly.week(connection, policy_of(settings), until_ms)


def _written(week: Week, form: str, base: str) -> bytes:
    from service.reports.printed import pdf
    from service.reports.tabled import comma_separated
    from service.reports.weekly import paper
    from service.web.week import bounds, told

    if form == "pdf":
        return pdf(paper(week), base)
    if form == "csv":
        return comma_separated(paper(week), bounds(week), base)
    text = json.dumps(told(week), ensure_ascii=False) if form == "json" else "\n".join(_lines(paper(week)))
    return f"{text}\n".encode()


def _lines(one: Paper) -> Iterator[str]:
    yield f"{one.title}: {one.span}"
    yield ""
    yield from map(printable, one.sentences)
    yield ""
    yield from (f"{figure.cell.text}: {figure.name}" for figure in one.figures)
    for sheet in one.sheets:
        yield from _table(sheet)
    yield ""
    yield from one.cautions


def _table(sheet: Sheet) -> Iterator[str]:
    yield ""
    yield f"{sheet.caption}. {sheet.note}" if sheet.note else f"{sheet.caption}."
    if not sheet.rows:
        yield f"  {sheet.none}"
        return
    rows = [sheet.columns, *([printable(cell.text) for cell in row] for row in sheet.rows)]
    widths = [max(len(row[at]) for row in rows) for at in range(len(sheet.columns))]
    yield from (
        "  " + "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


COMMANDS: tuple[click.Command, ...] = (week,)
