"""Running the service: both halves, one of them, or the demo."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from service.commands.group import settings_from, with_settings

Command = TypeVar("Command", bound=Callable[..., Any])

_migrate = click.option(
    "--migrate",
    is_flag=True,
    default=None,
    help="Bring the database's tables up to date first; the embedded database always is.",
)
_host = click.option("--host", help="Where to listen, over server.host of the settings.")
_port = click.option("--port", type=click.IntRange(0, 65_535), help="The port, over server.port of the settings.")


def _listening(command: Command) -> Command:
    return with_settings(_host(_port(_migrate(command))))


@click.command()
@_listening
def serve(settings_file: Path | None, host: str | None, port: int | None, migrate: bool | None) -> None:
    """Run everything in one process: HTTP, evaluation, delivery, housekeeping."""
    _start(settings_file, host, port, migrate, work=True)


@click.command()
@_listening
def web(settings_file: Path | None, host: str | None, port: int | None, migrate: bool | None) -> None:
    """Answer HTTP requests only; `lopside work` does the rest, as often as wanted."""
    _start(settings_file, host, port, migrate, work=False)


@click.command()
@with_settings
@_migrate
def work(settings_file: Path | None, migrate: bool | None) -> None:
    """Evaluate, deliver and keep house only; several may run, they share the work."""
    from service import app, logs

    logs.to_stderr()
    app.work(settings_from(settings_file), migrate=migrate)


@click.command()
@click.option("--port", type=click.IntRange(0, 65_535), default=8440, show_default=True, help="Where it answers.")
@click.option("--once", is_flag=True, help="End when the day is over, instead of answering on until Ctrl-C.")
@click.option("--seed", type=click.IntRange(0), help="Another day of the same exchange; the plots stay.")
def demo(port: int, once: bool, seed: int | None) -> None:
    """Play an invented day through the real service, in a throw-away database on loopback."""
    from service import demo as play

    play.run(port=port, once=once, seed=seed, say=click.echo)


def _start(file: Path | None, host: str | None, port: int | None, migrate: bool | None, *, work: bool) -> None:
    from service import app, logs

    logs.to_stderr()
    settings = settings_from(file)
    told = {name: value for name, value in (("host", host), ("port", port)) if value is not None}
    server = settings.server.model_copy(update=told)
    app.serve(settings.model_copy(update={"server": server}), migrate=migrate, work=work)


COMMANDS: tuple[click.Command, ...] = (serve, web, work, demo)
