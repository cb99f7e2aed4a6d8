"""`lopside check`: judge counter files with no service and no database."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import Command, tell_rejects, with_settings
from service.commands.mapped import Mapped, with_mapping

if TYPE_CHECKING:
    from service.commands.judged import Brought, Progress
    from service.commands.readings import Reading
    from service.terms import Rule

NOTHING_RAISED, RAISED = 0, 1
MOST_DIGITS = 20  # longer than any speed, and no number that takes long to read


def with_rule_and_speeds(command: Command) -> Command:
    """Give a command the options of a rule and of true speeds for its run."""
    rule = click.option(
        "--rule",
        "rules",
        multiple=True,
        metavar="NAME=VALUE",
        help="A value of the rule for this run, as hot_above=0.8; may be given again.",
    )
    speed = click.option(
        "--speed",
        "speeds",
        multiple=True,
        metavar="DEVICE/PORT=BPS",
        help="The true speed of a port that claims another, in bit/s, as sm-07/m1=1000000000; may be given again.",
    )
    return rule(speed(command))


@click.command()
@with_settings
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object for programs instead of a table for people.")
@with_rule_and_speeds
@click.option("--zone", metavar="ZONE", help="The time zone of times that name none, as Europe/Lisbon.")
@click.option("--kilo", type=click.IntRange(1), metavar="N", help="How many octets the k of kBps stands for. [1000]")
@with_mapping
def check(  # noqa: PLR0913, PLR0917  # an argument for each option there is
    settings_file: Path | None,
    files: Sequence[Path],
    as_json: bool,
    rules: Sequence[str],
    speeds: Sequence[str],
    zone: str | None,
    kilo: int | None,
    mapped: Mapped,
) -> None:
    """Judge counter files: what was uneven, when, by how much.

    The settings are read only where --mapping names one of theirs.

    Ends with 0 where nothing was raised, 1 where something was, 2 where the input could not be used.
    """
    from service.commands.judged import brought

    reading = mapped.reading(zone, kilo, settings_file)
    with progress() as told:
        held = brought(files, rule_of(rules), reading, told, speeds_of(speeds))
    raised = _json(held, reading) if as_json else _table(held)
    tell_rejects(held.rejects_told())
    click.get_current_context().exit(RAISED if raised else NOTHING_RAISED)


def _json(held: Brought, reading: Reading) -> int:
    from service.commands import check_json
    from service.commands.judged import judged

    return check_json.write(held, judged(held), reading, sys.stdout.buffer)


def _table(held: Brought) -> int:
    from service.commands import check_table
    from service.commands.judged import judged

    report = check_table.Report(held)
    with progress() as told:
        for part in judged(held, told):
            report.add(part)
    click.echo(report.written(), nl=False)
    return len(report.findings)


def rule_of(told: Sequence[str]) -> Rule:
    """The rule with the given values, checked like those of the settings."""
    from service.settings.reading import rules_of

    pairs = [text.partition("=") for text in told]
    for name, equals, value in pairs:
        if not (name and equals and value):
            raise click.BadParameter(f"{name + equals + value!r} is not NAME=VALUE", param_hint="--rule")
    return rules_of({name.strip(): value.strip() for name, _, value in pairs}).rule()


def speeds_of(told: Sequence[str]) -> dict[str, int]:
    """Speeds in bit/s by "device/port", from texts like sm-07/m1=1000000000."""
    from service.settings.sections import SPEEDS, is_speed

    speeds = {}
    for text in told:
        name, _, bps = text.rpartition("=")
        if not ("/" in name and bps.isascii() and bps.isdigit()):
            raise click.BadParameter(f"{text!r} is not DEVICE/PORT=BPS", param_hint="--speed")
        if not is_speed(int(bps[:MOST_DIGITS])):
            raise click.BadParameter(f"{text!r}: {SPEEDS}, written in bit/s", param_hint="--speed")
        speeds[name] = int(bps)
    return speeds


@contextmanager
def progress() -> Iterator[Progress | None]:
    """A bar on stderr where somebody watches; nothing else is written there."""
    if not sys.stderr.isatty():
        yield None
        return
    try:
        yield _drawn
    finally:
        click.echo("\r\033[K", nl=False, err=True)


def _drawn(doing: str, done: int, whole: int) -> None:
    share = done / whole if whole else 1.0
    click.echo(f"\r\033[K{doing} [{'#' * round(30 * share):<30}] {share:4.0%}", nl=False, err=True)


COMMANDS: tuple[click.Command, ...] = (check,)
