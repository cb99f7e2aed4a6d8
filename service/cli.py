"""`lopside ...`: the commands, each of which imports what is heavy only when it runs."""

from __future__ import annotations

import sys
import traceback

import click

from service import __version__
from service.commands import (
    administering,
    advising,
    archiving,
    changing,
    checking,
    collecting,
    comparing,
    disk,
    importing,
    inventory,
    odds,
    pushing,
    receiving,
    replaying,
    serving,
    trial,
    week,
)
from service.commands.group import Commands

# What a program should end with that found a mistake of its own: EX_SOFTWARE of sysexits.h. A check ends with 1
# where it raised something, so that a traceback must not.
MISTAKE = 70


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="lopside")
def cli() -> None:
    """Tell when one member of a team of ports runs hot while its siblings idle.

    It advises; it never changes anything on a device.
    """


for command in (
    *serving.COMMANDS,
    *checking.COMMANDS,
    *advising.COMMANDS,
    *comparing.COMMANDS,
    *changing.COMMANDS,
    *importing.COMMANDS,
    *collecting.COMMANDS,
    *receiving.COMMANDS,
    *inventory.COMMANDS,
    *pushing.COMMANDS,
    *odds.COMMANDS,
    *trial.COMMANDS,
    *week.COMMANDS,
    *replaying.COMMANDS,
    *archiving.COMMANDS,
    *administering.COMMANDS,
    *disk.COMMANDS,
):
    cli.add_command(command)


def main() -> None:
    """Run the command line; a mistake of our own ends with its traceback and a status of its own."""
    try:
        cli(prog_name="lopside")
    except Exception:
        traceback.print_exc()
        sys.exit(MISTAKE)
