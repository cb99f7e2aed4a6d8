"""`lopside change`: recording that people changed something, and what came of it. Nothing is done to any device."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from service.commands.group import WHO, database_of, printable, settings_from, with_settings
from service.errors import UnusableInput

if TYPE_CHECKING:
    from service.evaluation.recording import Asked

# The same words as evaluation.recording.CHANGE_KINDS and terms.DIRECTIONS, slow to import for --help; a test compares.
KINDS = ("method", "far-end", "re-draw", "capacity", "repair", "other")
DIRECTIONS = ("egress", "ingress")
MOST_LISTED = 500

_json = click.option("--json", "as_json", is_flag=True, help="One JSON object for programs.")


@click.group()
def change() -> None:
    """Record changes that people made to teams, and see what came of them."""


@change.command()
@with_settings
@click.option("--at", required=True, metavar="TIME", help="When it was made: RFC 3339, as 2026-11-26T22:10:00Z.")
@click.option("--what", required=True, help="What was changed, in your words.")
@click.option(
    "--team", "teams", type=(str, str), multiple=True, metavar="DEVICE TEAM", help="A team; again for others."
)
@click.option(
    "--teams",
    "file",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="A CSV file with the columns device, team and, where only one was changed, direction.",
)
@click.option("--direction", type=click.Choice(DIRECTIONS), help="Only this direction of every --team.")
@click.option("--who", default="", help="Who made it.")
@click.option("--reference", default="", help="Its number in your own change control.")
@click.option("--kind", type=click.Choice(KINDS), default="other", show_default=True, help="What sort of change.")
@click.option("--settle", type=click.IntRange(0, 86_400), default=300, show_default=True, help="Seconds to leave out.")
@click.option("--until", metavar="TIME", help="Until when it is watched on each day, at most a day after it.")
@click.option("--request", default="", help="Your name for this request: told twice, it is kept once.")
@_json
def record(settings_file: Path | None, as_json: bool, **told: Any) -> None:
    """Record that something was changed, at one team or at many, and freeze what it is compared with.

    What was foretold of these teams before it is held against it. Ends with 0, or with 2 where it is refused.
    """
    from service import app
    from service.app.parts import policy_of
    from service.evaluation import recording

    settings = settings_from(settings_file)
    done = recording.record(database_of(settings), _said(told), WHO, policy_of(settings), app.now_ms())
    _show(settings_file, done.change.id, as_json)


@change.command("list")
@with_settings
@click.option("--limit", type=click.IntRange(1, MOST_LISTED), default=100, show_default=True, help="How many at most.")
def listed(settings_file: Path | None, limit: int) -> None:
    """List changes, the last made first: id, time, who, reference, outcomes by count, what."""
    from service.storage import changes, database
    from service.webhooks.fields import instant

    with database.reading(database_of(settings_from(settings_file))) as connection:
        found = changes.listing(connection, limit=limit).items
        counts = changes.outcomes(connection, [one.id for one in found])
    for one in found:
        came = ", ".join(f"{count} {outcome}" for outcome, count in sorted(counts[one.id].items()))
        told = (one.id, instant(one.at_ms) or "", one.who, one.reference, came, one.what)
        click.echo("\t".join(map(printable, told)))


@change.command()
@with_settings
@click.argument("change_id", metavar="ID")
@_json
def show(settings_file: Path | None, change_id: str, as_json: bool) -> None:
    """Show a change: what it is compared with, what was foretold, and what came of it."""
    _show(settings_file, change_id, as_json)


def _show(settings_file: Path | None, change_id: str, as_json: bool) -> None:
    from service.commands.changed_words import lines
    from service.storage import changes, database
    from service.web.changes import shown

    with database.reading(database_of(settings_from(settings_file))) as connection:
        told = shown(connection, changes.one(connection, change_id))
    click.echo(json.dumps(told, indent=2) if as_json else printable("\n".join(lines(told))))


def _said(told: dict[str, Any]) -> Any:
    from service.evaluation.recording import Asked, Told
    from service.web.parameters import milliseconds

    named = [Asked(device, team, told["direction"] or "") for device, team in told["teams"]]
    teams = (*named, *(_teams_in(told["file"]) if told["file"] else ()))
    if not teams:
        raise click.UsageError("name a team: --team DEVICE TEAM, or --teams FILE")
    same = ("what", "who", "reference", "kind", "request")
    return Told(
        at_ms=milliseconds("at", told["at"]) or 0,
        teams=teams,
        settle_ms=told["settle"] * 1000,
        until_ms=milliseconds("until", told["until"]),
        **{name: told[name] for name in same},
    )


def _teams_in(file: Path) -> list[Asked]:
    from service.evaluation.recording import Asked

    try:
        rows = list(csv.DictReader(file.read_text(encoding="utf-8-sig").splitlines(), strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as wrong:
        raise UnusableInput(str(file), f"cannot be read: {wrong}", "give a CSV file in UTF-8") from wrong
    found = []
    for number, row in enumerate(rows, start=2):
        way = row.get("direction") or ""
        if not row.get("device") or not row.get("team") or way not in ("", *DIRECTIONS):
            raise UnusableInput(f"{file}, line {number}", "names no team", "its columns are device, team and direction")
        found.append(Asked(row["device"], row["team"], way))
    return found


COMMANDS: tuple[click.Command, ...] = (change,)
