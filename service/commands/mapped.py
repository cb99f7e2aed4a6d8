"""The options that say how files with columns of their own, or of another vantage, are to be read."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from service.commands.group import settings_from

if TYPE_CHECKING:
    from service.commands.readings import Reading
    from service.feeds.mapping import Mapping as ExportMapping

Command = TypeVar("Command", bound=Callable[..., Any])

NAME = "command-line"
_OPTIONS = (
    click.option("--mapping", metavar="NAME", help="Read the files as the mapping of this name in the settings says."),
    click.option("--unit", metavar="UNIT", help="What the values of an export are, as kB/s; never guessed."),
    click.option("--time-column", metavar="COLUMN", help="The column of an export that says when (time_column)."),
    click.option(
        "--spacing", metavar="SECONDS", help="Over how many seconds each row of an export is the mean (interval_s)."
    ),
    click.option(
        "--series",
        multiple=True,
        metavar="COLUMN=PORT:DIRECTION[:BPS]",
        help="What a column of a wide export is, as 'm1 sent=m1:egress:1000000000'; may be given again.",
    ),
    click.option(
        "--map",
        "others",
        multiple=True,
        metavar="KEY=VALUE",
        help="Another key of a mapping, as device=sm-07 or missing=-; may be given again.",
    ),
    click.option(
        "--vantage",
        type=click.Choice(["own", "far-end"]),
        help="At which end of the cables was read: for far-end the directions change over. [own]",
    ),
)
_KEYS = {"unit": "unit", "time_column": "time_column", "spacing": "interval_s"}


def with_mapping(command: Command) -> Command:
    """Give a command the options of mappings, gathered in its argument `mapped`."""

    @functools.wraps(command)
    def gathered(**told: Any) -> Any:
        mapped = Mapped(**{field.name: told.pop(field.name) for field in fields(Mapped)})
        return command(**told, mapped=mapped)

    for option in reversed(_OPTIONS):
        gathered = option(gathered)
    return gathered  # type: ignore[return-value]  # the same but for what it is told


@dataclass(frozen=True)
class Mapped:
    """What was said of a mapping on the command line."""

    mapping: str | None
    unit: str | None
    time_column: str | None
    spacing: str | None
    series: Sequence[str]
    others: Sequence[str]
    vantage: str | None

    def __bool__(self) -> bool:
        return self != Mapped(None, None, None, None, (), (), None)

    def reading(self, zone: str | None, kilo: int | None, settings_file: Path | None) -> Reading:
        """How to read; what is said on the command line wins over the mapping of the settings."""
        from service.commands.readings import Reading

        told = self._told() | ({"zone": zone} if zone else {}) | ({"kilo": kilo} if kilo else {})
        vantage = self.vantage or "own"
        if not (self.mapping or self._told()):
            return Reading(zone, kilo or 1000, vantage)
        mapping = self._mapping(told | ({"vantage": vantage} if self.vantage else {}), settings_file)
        return Reading(mapping.zone or None, mapping.kilo, mapping.vantage, mapping)

    def _mapping(self, told: dict[str, Any], settings_file: Path | None) -> ExportMapping:
        from service.settings.reading import mapping_told

        before: dict[str, Any] = {"name": NAME}
        if self.mapping:
            before = asdict(settings_from(settings_file).mapping_of(self.mapping))
        return mapping_told(before | told)

    def _told(self) -> dict[str, Any]:
        """The keys of a mapping that were given."""
        told: dict[str, Any] = {key: getattr(self, name) for name, key in _KEYS.items() if getattr(self, name)}
        for text in self.others:
            key, equals, value = text.partition("=")
            if not (key and equals):
                raise click.BadParameter(f"{text!r} is not KEY=VALUE", param_hint="--map")
            told[key] = (*told.get(key, ()), value) if key == "missing" else value
        return told | ({"series": tuple(map(series_of, self.series))} if self.series else {})


def series_of(text: str) -> dict[str, Any]:
    """One column of a wide export, from a text like `m1 sent=m1:egress:1000000000`; a port may hold colons too."""
    column, _, meant = text.rpartition("=")
    before, _, bps = meant.rpartition(":")
    speed = {"speed_bps": bps} if before and bps.isascii() and bps.isdigit() else {}
    port, _, direction = (before if speed else meant).rpartition(":")
    if not (column and port and direction):
        raise click.BadParameter(f"{text!r} is not COLUMN=PORT:DIRECTION[:BPS]", param_hint="--series")
    return {"column": column, "port": port, "direction": direction, **speed}
