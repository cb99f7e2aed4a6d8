"""`lopside disk`: what is kept, what it comes to, and whether there is room for it."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.commands.group import database_of, settings_from, with_settings

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from sqlalchemy import Engine

    from service.rules.room import Forecast
    from service.settings.reading import Settings

FULL = 1
UNITS = ("octets", "kB", "MB", "GB", "TB", "PB")
LINE = "{:<26}{:>12}{:>12}{:>14}  {}"


@click.command()
@with_settings
def disk(settings_file: Path | None) -> None:
    """Say what the database takes, what that comes to, and when its disk is full.

    Reckoned from what is kept now and from the retention of the settings. Ends with 1 where the disk of an embedded
    database is going to be full within a year.
    """
    settings = settings_from(settings_file)
    engine = database_of(settings)
    try:
        forecasts, is_whole = _forecasts(engine, settings)
    finally:
        engine.dispose()
    for line in _table(forecasts, is_whole):
        click.echo(line)
    if engine.dialect.name != "sqlite":
        click.echo("hold it against the room on the database's own machine; leave as much again for its journals")
        return
    free = shutil.disk_usage(Path(str(engine.url.database)).resolve().parent).free
    days = _days_until(forecasts, free)
    click.echo(f"free on its disk: {amount(free)}; {_verdict(forecasts, days)}")
    if days is not None:
        raise SystemExit(FULL)


def _forecasts(engine: Engine, settings: Settings) -> tuple[dict[str, Forecast], bool]:
    """By what is kept, what it comes to; and whether the parts are known."""
    from service import app
    from service.app.jobs import kept_for
    from service.rules.room import of_kept, of_lasting
    from service.storage import database, room

    kept = kept_for(settings)
    with database.reading(engine) as connection:
        rooms, whole, begun_ms = room.taken(connection), room.whole(connection), room.begun_ms(connection)
    lived_ms = app.now_ms() - begun_ms if begun_ms is not None else 0
    found: dict[str, Forecast] = {}
    for one in rooms:
        span_ms = (one.newest_ms or 0) - (one.oldest_ms or 0)
        found[one.table or "all else"] = (
            of_kept(one.octets, span_ms, kept.of(one.table)) if one.table else of_lasting(one.octets, lived_ms)
        )
    return (found, True) if found else ({"all": of_lasting(whole, lived_ms)}, False)


def _verdict(forecasts: dict[str, Forecast], days: float | None) -> str:
    if days is not None:
        return f"full in {days:.0f} d"
    is_known = all(one.a_day is not None for one in forecasts.values())
    return "enough for a year" if is_known else "whether that is enough is too early to say"


def _days_until(forecasts: dict[str, Forecast], free: int) -> float | None:
    from service.rules.room import days_until

    return days_until(list(forecasts.values()), free)


def _table(forecasts: dict[str, Forecast], is_whole: bool) -> Iterator[str]:
    yield LINE.format("what", "now", "a day", "comes to", "in").rstrip()
    for name, one in forecasts.items():
        unknown = "too new to say"
        a_day, comes_to = (amount(told) if told is not None else "-" for told in (one.a_day, one.comes_to))
        within = unknown if one.in_days is None else f"{one.in_days:.0f} d" if one.in_days else "has come to it"
        yield LINE.format(name, amount(one.octets), a_day, comes_to, within)
    now = amount(_sum(one.octets for one in forecasts.values()))
    yield LINE.format("together", now, "", _total(forecasts), "").rstrip()
    if not is_whole:
        yield "this SQLite cannot tell what each table takes; all is taken as if nothing were ever removed"


def _total(forecasts: dict[str, Forecast]) -> str:
    comes_to = [one.comes_to for one in forecasts.values()]
    return "-" if None in comes_to else amount(_sum(told or 0.0 for told in comes_to))


def _sum(amounts: Iterator[float]) -> float:
    return float(sum(amounts))


def amount(octets: float) -> str:
    """Octets in a unit in which they are a small number.

    Examples
    --------
    >>> amount(1_234_567), amount(12)
    ('1.2 MB', '12 octets')
    """
    power = 0
    while octets >= 1000 and power < len(UNITS) - 1:
        octets, power = octets / 1000, power + 1
    return f"{octets:.1f} {UNITS[power]}" if power else f"{octets:.0f} {UNITS[0]}"


COMMANDS: Sequence[click.Command] = (disk,)
