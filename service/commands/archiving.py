"""`lopside archive`: samples of whole days as Parquet files, from the database or from counter files."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.checking import progress, speeds_of
from service.commands.group import database_of, settings_from, tell_rejects, with_settings
from service.commands.mapped import Mapped, with_mapping

if TYPE_CHECKING:
    from service.commands.readings import Reading
    from service.replaying.archiving import Shelf, Written
    from service.settings.reading import Settings

MOST_PARTS = 4096


@click.command()
@with_settings
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--parts",
    type=click.IntRange(1, MOST_PARTS),
    default=16,
    help="Into how many files a day's devices are divided; some 1,000 ports a file are good. [16]",
)
@click.option("--from", "begin", metavar="TIME", help="From which day of the database, as 2026-11-18T00:00:00Z.")
@click.option(
    "--speed", "speeds", multiple=True, metavar="DEVICE/PORT=BPS", help="The true speed of a port in counter files."
)
@click.option("--zone", metavar="ZONE", help="The time zone of times in counter files that name none.")
@click.option("--kilo", type=click.IntRange(1), metavar="N", help="How many octets the k of kBps stands for. [1000]")
@with_mapping
def archive(  # noqa: PLR0913, PLR0917  # an argument for each option there is
    settings_file: Path | None,
    folder: Path,
    files: Sequence[Path],
    parts: int,
    begin: str | None,
    speeds: Sequence[str],
    zone: str | None,
    kilo: int | None,
    mapped: Mapped,
) -> None:
    """Write samples into FOLDER, a file a day and some devices, to be replayed long after the database forgot them.

    Without FILES the database is asked for every day that is over and not written yet: run it once a day. What
    is written is read back before it counts, and whoever was stopped goes on where they were. Archives show
    which devices and ports there are and how busy: keep them as carefully as the database.
    """
    from service.replaying.archiving import Shelf

    shelf, told = Shelf(folder, parts), settings_from(settings_file)
    if files:
        written = _from_files(shelf, files, mapped.reading(zone, kilo, settings_file), (told, speeds))
    else:
        written = _from_database(shelf, told, begin)
    new = old = samples = 0
    for one in written:
        new, old = new + one.is_new, old + (not one.is_new)
        samples += one.samples if one.is_new else 0
    click.echo(f"{folder}: {new} archives written with {samples:,} samples, {old} there already")


def _from_files(
    shelf: Shelf, files: Sequence[Path], reading: Reading, set_by: tuple[Settings, Sequence[str]]
) -> Iterator[Written]:
    from service.commands.judged import brought
    from service.replaying import archiving

    settings, speeds = set_by
    with progress() as drawn:
        held = brought(files, settings.rules.rule(), reading, drawn, speeds_of(speeds))
    tell_rejects(held.rejects_told())
    return archiving.from_parsed(shelf, held.parsed, held.layout, {**settings.speeds(), **held.speeds})


def _from_database(shelf: Shelf, settings: Settings, begin: str | None) -> Iterator[Written]:
    from service import app
    from service.app.parts import policy_of
    from service.replaying import archiving
    from service.web import past
    from service.web.parameters import milliseconds

    now_ms = app.now_ms()
    samples_ms = settings.retention.samples_h * past.HOUR_MS
    kept = past.Kept(database_of(settings), policy_of(settings), now_ms, samples_ms)
    told_ms = milliseconds("--from", begin)
    first_ms, end_ms = archiving.whole_days(now_ms - samples_ms if told_ms is None else told_ms, now_ms)
    return archiving.from_database(shelf, kept.engine, past.setting_of(kept), first_ms, end_ms)


COMMANDS: tuple[click.Command, ...] = (archive,)
