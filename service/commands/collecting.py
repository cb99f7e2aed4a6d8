"""`lopside discover` and `lopside collect`: what a device says of its teams, and one round of polls by hand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import printable, settings_from, tell_rejects, with_settings

if TYPE_CHECKING:
    from service.collection.once import Round

SOME_SILENT = 1


@click.command()
@with_settings
@click.argument("target")
@click.option("--credentials", metavar="NAME", help="Credentials of the settings, for an address that is not in them.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object for programs.")
def discover(settings_file: Path | None, target: str, credentials: str | None, as_json: bool) -> None:
    """Ask TARGET, a device of the settings or an address, for its ports and teams by SNMP; keep nothing.

    Only ask devices that are yours to ask: this reads whole tables. Ends with 0, or with 2 where the
    device does not answer.
    """
    from service.app import collecting
    from service.commands import discovered_words

    agent = collecting.agent_named(settings_from(settings_file), target, credentials)
    found = collecting.described(agent)
    click.echo(discovered_words.as_json(found) if as_json else printable("\n".join(discovered_words.lines(found))))


@click.command()
@with_settings
@click.option("--once", is_flag=True, required=True, help="One discovery and one poll of each device, and end.")
def collect(settings_file: Path | None, once: bool) -> None:
    """Poll every device of the settings once and keep what it tells; `lopside serve` and `work` do so unasked.

    Ends with 0 where every device answered, 1 where some did not, 2 where nothing could be asked.
    """
    from service import app
    from service.app import collecting

    settings = settings_from(settings_file)
    if not settings.agents:
        raise click.UsageError("the settings name no device to poll: add an [[agents]] entry")
    done = collecting.collect_once(app.parts_of(settings))
    tell_rejects([f"not kept: {reason}" for reason in done.refused])
    tell_rejects([f"{device}: {trouble}" for device, trouble in done.silent])
    click.echo(_summary(done))
    click.get_current_context().exit(SOME_SILENT if done.silent else 0)


def _summary(done: Round) -> str:
    return (
        f"{done.devices} {'device' if done.devices == 1 else 'devices'} answered, {len(done.silent)} did not;"
        f" {done.samples} samples of {done.ports} ports kept in {done.took_ms / 1000:.1f} s"
    )


COMMANDS: tuple[click.Command, ...] = (discover, collect)
