"""`lopside replay`: history judged by other rules, so that they can be tried before they hurt."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.checking import progress, speeds_of
from service.commands.group import settings_from, tell_rejects, with_settings
from service.commands.mapped import Mapped, with_mapping

if TYPE_CHECKING:
    from service.commands.replayed import Asked, Came
    from service.replaying.spreading import Spread

MOST_WORKERS = 256


@click.command()
@with_settings
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--rule",
    "tried",
    multiple=True,
    required=True,
    metavar="NAME=VALUE",
    help="A value of the rules to be tried, as hot_above=0.8; may be given again.",
)
@click.option(
    "--against",
    multiple=True,
    metavar="NAME=VALUE",
    help="A value of the rules they are compared with, over that of the settings; may be given again.",
)
@click.option("--from", "begin", metavar="TIME", help="From when, as 2026-11-18T00:00:00Z.  [database: 7 days ago]")
@click.option("--to", "end", metavar="TIME", help="Up to when.")
@click.option("--device", "devices", multiple=True, metavar="DEVICE", help="Only this device; may be given again.")
@click.option(
    "--speed", "speeds", multiple=True, metavar="DEVICE/PORT=BPS", help="The true speed of a port in counter files."
)
@click.option("--zone", metavar="ZONE", help="The time zone of times in counter files that name none.")
@click.option("--kilo", type=click.IntRange(1), metavar="N", help="How many octets the k of kBps stands for. [1000]")
@click.option("--workers", type=click.IntRange(1, MOST_WORKERS), default=1, help="Processes of this machine. [1]")
@click.option("--dask", metavar="ADDRESS", help="The scheduler of machines that share the work, as tls://host:8786.")
@click.option(
    "--tls-ca", type=click.Path(dir_okay=False), help="The authority that signed the scheduler's certificate."
)
@click.option("--tls-cert", type=click.Path(dir_okay=False), help="Our certificate for the scheduler.")
@click.option("--tls-key", type=click.Path(dir_okay=False), help="The key of that certificate.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object for programs instead of a list for people.")
@with_mapping
def replay(  # noqa: PLR0913, PLR0917  # an argument for each option there is
    settings_file: Path | None,
    paths: Sequence[Path],
    tried: Sequence[str],
    against: Sequence[str],
    begin: str | None,
    end: str | None,
    devices: Sequence[str],
    speeds: Sequence[str],
    zone: str | None,
    kilo: int | None,
    workers: int,
    dask: str | None,
    tls_ca: str | None,
    tls_cert: str | None,
    tls_key: str | None,
    as_json: bool,
    mapped: Mapped,
) -> None:
    """Judge history by other rules and list where the findings differ. Nothing is sent and nothing written.

    PATHS are counter files, or one folder of archives that `lopside archive` wrote; without any, the
    database of the settings is asked. A Dask scheduler runs whatever code its port is sent: it belongs on
    loopback or behind TLS.
    """
    from service.commands import replayed, replayed_words

    told = settings_from(settings_file)
    asked = replayed.Asked(
        settings=told,
        paths=tuple(paths),
        tried=replayed.values_of(tried, "--rule"),
        against=replayed.values_of(against, "--against"),
        begin_ms=replayed.instant_of(begin, "--from"),
        end_ms=replayed.instant_of(end, "--to"),
        devices=frozenset(devices),
        speeds=speeds_of(speeds),
        reading=mapped.reading(zone, kilo, settings_file),
    )
    came = _done(asked, _spread(workers, dask, (tls_ca, tls_cert, tls_key)))
    click.echo(replayed_words.as_json(came) if as_json else replayed_words.as_text(came), nl=False)


def _done(asked: Asked, spread: Spread) -> Came:
    from service.commands import replayed

    with progress() as drawn:
        came = replayed.came_of(asked, spread, drawn)
    tell_rejects(came.rejects)
    return came


def _spread(workers: int, dask: str | None, papers: tuple[str | None, str | None, str | None]) -> Spread:
    from service.replaying import spreading

    ca, certificate, key = papers
    if dask is not None:
        whole = spreading.Papers(ca, certificate, key) if ca and certificate and key else None
        return spreading.by_machines(dask, whole)
    return spreading.by_processes(workers) if workers > 1 else spreading.one_by_one


COMMANDS: tuple[click.Command, ...] = (replay,)
