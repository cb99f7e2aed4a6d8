"""`lopside compare`: what came of a change, from counter files alone."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.checking import progress, rule_of, speeds_of, with_rule_and_speeds
from service.commands.group import tell_rejects, with_settings
from service.commands.lengths import instant_of, length_ms_of, span_of
from service.commands.mapped import Mapped, with_mapping

if TYPE_CHECKING:
    from service.commands.judged import Brought
    from service.commands.readings import Reading
    from service.rules.verdicts.baseline import Baseline

NOTHING_WORSE, WORSE = 0, 1


@click.command()
@with_settings
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--change", required=True, metavar="TIME", help="When the change was made, as 2026-11-26T22:10:00Z.")
@click.option("--settle", default="5m", metavar="TIME", help="How long on either side of it nothing counts. [5m]")
@click.option(
    "--before",
    "before",
    multiple=True,
    metavar="FROM/TO",
    help="Hours before the change to compare with; may be given again. [the same hours of the last three like days]",
)
@click.option("--after", metavar="FROM/TO", help="Hours after the change. [all there are, at most seven days]")
@click.option("--json", "as_json", is_flag=True, help="One JSON object for programs instead of a text for people.")
@with_rule_and_speeds
@click.option("--zone", metavar="ZONE", help="The time zone of times that name none, and of the clock on the wall.")
@click.option("--kilo", type=click.IntRange(1), metavar="N", help="How many octets the k of kBps stands for. [1000]")
@with_mapping
def compare(  # noqa: PLR0913, PLR0917  # an argument for each option there is
    settings_file: Path | None,
    files: Sequence[Path],
    change: str,
    settle: str,
    before: Sequence[str],
    after: str | None,
    as_json: bool,
    rules: Sequence[str],
    speeds: Sequence[str],
    zone: str | None,
    kilo: int | None,
    mapped: Mapped,
) -> None:
    """Compare counter files before and after a change: did it even out, and did anything get worse?

    Each team and direction gets a verdict, at equal load and with what successive windows have in common allowed
    for. Nothing is kept and nothing is sent.

    Ends with 0 where nothing got worse, 1 where something did, 2 where the input could not be used.
    """
    from service.commands import compared, compared_words
    from service.commands.judged import brought

    reading = mapped.reading(zone, kilo, settings_file)
    asked = Asked(change, settle, before, after)
    asked.check(reading)
    with progress() as told:
        held = brought(files, rule_of(rules), reading, told, speeds_of(speeds))
        hours = asked.hours(held, reading)
        rows = compared.compared(held, hours, told)
    written = compared_words.json_of if as_json else compared_words.text_of
    click.echo(written(held, hours, rows, asked.at_ms(reading)), nl=False)
    tell_rejects(held.rejects_told())
    sys.stdout.flush()
    click.get_current_context().exit(WORSE if compared.any_worse(rows) else NOTHING_WORSE)


class Asked:
    """The hours as they were given on the command line."""

    def __init__(self, change: str, settle: str, before: Sequence[str], after: str | None) -> None:
        self._change, self._settle, self._before, self._after = change, settle, before, after

    def check(self, reading: Reading) -> None:
        """Refuse what is no time before files are read for nothing."""
        self.at_ms(reading)
        length_ms_of(self._settle, "--settle")
        for text in self._before:
            span_of(text, reading.zone, "--before")
        if self._after:
            span_of(self._after, reading.zone, "--after")

    def at_ms(self, reading: Reading) -> int:
        """When the change was made."""
        return instant_of(self._change, reading.zone, "--change")

    def hours(self, held: Brought, reading: Reading) -> Baseline:
        """Which hours are compared; those that were not given follow from the change and from what the files hold."""
        from service.commands import compared

        stated = [span_of(text, reading.zone, "--before") for text in self._before]
        after = span_of(self._after, reading.zone, "--after") if self._after else None
        change = compared.ChangeTold(self.at_ms(reading), length_ms_of(self._settle, "--settle"), reading.zone or "UTC")
        return compared.hours_of(held, change, tuple(stated), after)


COMMANDS: tuple[click.Command, ...] = (compare,)
