"""`lopside receive`: hear what exporters tell of conversations, in a process of its own."""

from __future__ import annotations

from pathlib import Path

import click

from service.commands.group import settings_from, with_settings


@click.command()
@with_settings
def receive(settings_file: Path | None) -> None:
    """Hear IPFIX and sFlow of the exporters in the settings and keep it by member, until told to stop.

    Such records reveal who talks to whom: hear them only where that is agreed, over a network meant for it.
    """
    from service import app, logs

    logs.to_stderr()
    app.receive(settings_from(settings_file))


COMMANDS: tuple[click.Command, ...] = (receive,)
