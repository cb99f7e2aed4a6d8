"""Mappings: which columns of somebody's export mean what, in which unit, over which interval; nothing is guessed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from service.errors import UnusableInput
from service.feeds import cell_values, columns, times
from service.terms import DIRECTIONS

COUNTER, RATE = "counter", "rate"
FORMS = (RATE, COUNTER)
STAMPED = ("end", "start")  # of the interval that a row tells of
OWN, FAR_END = "own", "far-end"
VANTAGES = (OWN, FAR_END)
OCTETS = "octets"
# Bits of one unit, and how often the kilo of the mapping goes into it: k once, M twice, G three times.
_RATES = {
    "bit/s": (1, 0),
    "kbit/s": (1, 1),
    "Mbit/s": (1, 2),
    "Gbit/s": (1, 3),
    "B/s": (8, 0),
    "kB/s": (8, 1),
    "MB/s": (8, 2),
}
UNITS = (*_RATES, OCTETS)
KILOS = (1000, 1024)
LONGEST_INTERVAL_S = 3600
_LONG_ONLY = ("device_column", "team_column", "port_column", "in_column", "out_column")


@dataclass(frozen=True)
class Series:
    """One column of a wide file: the traffic of one port in one direction."""

    column: str
    port: str
    direction: str
    speed_bps: int = 0
    device: str = ""  # those of the mapping where empty
    team: str = ""


@dataclass(frozen=True)
class Mapping:
    """How a file of averages, or of counters, is to be read.

    The long form has a row for each port and time and names its columns; the wide form has a
    row for each time and a series for each column. `stamped` says which end of the interval a
    row's time is; `missing` are the cells that mean no value.
    """

    unit: str
    time_column: str
    interval_s: int
    name: str = ""
    form: str = RATE
    kilo: int = 1000
    stamped: str = "end"
    zone: str = ""
    time_format: str = ""
    delimiter: str = ","
    decimal: str = "."
    skip_lines: int = 0
    missing: tuple[str, ...] = ("",)
    device: str = ""
    device_column: str = ""
    team: str = ""
    team_column: str = ""
    port_column: str = ""
    in_column: str = ""
    out_column: str = ""
    speed_bps: int = 0
    series: tuple[Series, ...] = ()
    vantage: str = OWN

    @property
    def interval_ms(self) -> int:
        """How far back from its end a row's average reaches."""
        return self.interval_s * 1000

    def bits(self) -> int:
        """What one unit of a rate is in bit/s."""
        bits, thousands = _RATES[self.unit]
        return bits * int(self.kilo**thousands)

    def named_columns(self) -> tuple[str, ...]:
        """The columns that the file must have."""
        long = (getattr(self, name) for name in _LONG_ONLY)
        told = (self.time_column, *long, *(series.column for series in self.series))
        return tuple(dict.fromkeys(name for name in told if name))


class Refusal(NamedTuple):
    """Why a mapping cannot be used: the key, what is the matter, and what would do."""

    key: str
    why: str
    remedy: str


def refusal(mapping: Mapping) -> Refusal | None:
    """The first thing that is wrong with a mapping; None where it can be used."""
    for check in _CHECKS:
        if (found := check(mapping)) is not None:
            return found
    return None


def _words(mapping: Mapping) -> Refusal | None:
    if mapping.unit not in UNITS:
        why = f"{mapping.unit!r} is no unit known here" if mapping.unit else "no unit is given, and none is guessed"
        return Refusal("unit", why, f"say what the values are: {', '.join(UNITS)}")
    for key, known in (("form", FORMS), ("stamped", STAMPED), ("vantage", VANTAGES), ("decimal", (".", ","))):
        if getattr(mapping, key) not in known:
            return Refusal(key, f"{getattr(mapping, key)!r} is none of those known", f"write one of {' '.join(known)}")
    if mapping.kilo not in KILOS:
        return Refusal("kilo", f"{mapping.kilo} is no kilo", "write 1000 or 1024")
    return None


def _form(mapping: Mapping) -> Refusal | None:
    if mapping.form == RATE and mapping.unit == OCTETS:
        return Refusal("unit", "octets are counted and are no rate", 'write form = "counter", or a unit of a rate')
    if mapping.form == COUNTER and mapping.unit != OCTETS:
        return Refusal("unit", f"a counter does not count {mapping.unit}", 'write unit = "octets", or form = "rate"')
    return None


def _cells(mapping: Mapping) -> Refusal | None:
    separator = mapping.delimiter
    if len(separator) != 1 or not separator.isascii() or separator in '"\r\n' or separator == mapping.decimal:
        why = f"{separator!r} cannot separate columns where {mapping.decimal!r} separates decimals"
        return Refusal("delimiter", why, "write the one character that separates columns, as ; or ,")
    if mapping.skip_lines < 0:
        return Refusal("skip_lines", f"{mapping.skip_lines} lines cannot be skipped", "write 0 or more")
    return None


def _time(mapping: Mapping) -> Refusal | None:
    if not mapping.time_column:
        return Refusal("time_column", "no column of times is named", "name the one that says when")
    if not 1 <= mapping.interval_s <= LONGEST_INTERVAL_S:
        why = f"rows are not {mapping.interval_s} s apart"
        return Refusal("interval_s", why, f"write the seconds each row tells of, 1 to {LONGEST_INTERVAL_S}")
    return (_time_format(mapping) if mapping.time_format else None) or _zone(mapping)


def _time_format(mapping: Mapping) -> Refusal | None:
    step_s = _told_to_s(mapping.time_format)
    if not step_s:
        why = f"{mapping.time_format!r} does not tell a date and a time to the second"
        return Refusal("time_format", why, "write it like %d.%m.%Y %H:%M:%S, in the directives of strptime")
    if mapping.interval_s % step_s:
        why = f"{mapping.time_format!r} tells minutes, and rows {mapping.interval_s} s apart begin and end within them"
        remedy = "export times to the second and add %S, or export averages of whole minutes with interval_s to match"
        return Refusal("time_format", why, remedy)
    return None


def _told_to_s(time_format: str) -> int:
    """How finely a format tells times: to 1 s or 60 s; 0 where it tells no instant."""
    told = datetime(2026, 11, 25, 22, 3, 41, tzinfo=times.EPOCH.tzinfo)
    try:
        read = datetime.strptime(told.strftime(time_format), time_format)  # noqa: DTZ007  # a zone may stand elsewhere
    except ValueError:
        return 0
    lost_s = (told.replace(tzinfo=None) - read.replace(tzinfo=None)).total_seconds()
    return {0: 1, told.second: 60}.get(int(lost_s), 0)


def _zone(mapping: Mapping) -> Refusal | None:
    try:
        times.zone_named(mapping.zone or None)
    except UnusableInput as wrong:
        return Refusal("zone", wrong.what, wrong.remedy)
    return None


def _shape(mapping: Mapping) -> Refusal | None:
    if mapping.series:
        for key in _LONG_ONLY:
            if getattr(mapping, key):
                return Refusal(key, "a mapping is long or wide, and series make it wide", f"leave out series, or {key}")
        return None
    if not mapping.port_column:
        return Refusal("port_column", "no column is mapped to a port", "name it, or give series of a wide file")
    if not (mapping.in_column or mapping.out_column):
        return Refusal("out_column", "no column of traffic is mapped", "name in_column, out_column or both")
    named = [getattr(mapping, key) for key in ("time_column", *_LONG_ONLY) if getattr(mapping, key)]
    if (twice := columns.first_repeated(named)) is not None:
        return Refusal("time_column", f"column {twice!r} has two meanings", "name it once")
    return None


def _names(mapping: Mapping) -> Refusal | None:
    if mapping.device and mapping.device_column:
        return Refusal("device", "the device is named and read from a column", "leave one out")
    if mapping.team and mapping.team_column:
        return Refusal("team", "the team is named and read from a column", "leave one out")
    nameless = not all(series.device for series in mapping.series) if mapping.series else not mapping.device_column
    if nameless and not mapping.device:
        return Refusal("device", "no device is named", "name it, or the column that holds it")
    told = [mapping.device, mapping.team, *(name for s in mapping.series for name in (s.device, s.team, s.port))]
    if not cell_values.are_names(told):
        return Refusal("device", "a name has 1 to 255 printable characters, none a space at its ends", "mend it")
    return None


def _series(mapping: Mapping) -> Refusal | None:
    for at, series in enumerate(mapping.series):
        if series.direction not in DIRECTIONS:
            why = f"{series.direction!r} is no direction"
            return Refusal(f"series.{at}.direction", why, f"write {' or '.join(DIRECTIONS)}")
        if not (series.port and series.column):
            return Refusal(f"series.{at}.port", "a series has a column and a port", "name both")
    used = (series.column for series in mapping.series)
    if (twice := columns.first_repeated([mapping.time_column, *used])) is not None:
        return Refusal("series", f"column {twice!r} has two meanings", "map each column once")
    meant = (f"{s.device or mapping.device}/{s.port}, {s.direction}" for s in mapping.series)
    if (twice := columns.first_repeated(meant)) is not None:
        return Refusal("series", f"two columns are mapped to {twice}", "keep one")
    return _seats(mapping)


def _seats(mapping: Mapping) -> Refusal | None:
    """Both directions of a port have one speed and one team, also where only one of them names the device."""
    told: dict[tuple[str, str], tuple[int, str]] = {}
    for at, one in enumerate(mapping.series):
        seat = one.device or mapping.device, one.port
        speed, team = told.setdefault(seat, (one.speed_bps, one.team))
        both = (speed or one.speed_bps, team or one.team)
        if (one.speed_bps or both[0], one.team or both[1]) != both:
            why = f"port {one.port!r} has another speed or team in its other direction"
            return Refusal(f"series.{at}.port", why, "say it once, or say the same")
        told[seat] = both
    return None


_CHECKS: tuple[Callable[[Mapping], Refusal | None], ...] = (_words, _form, _cells, _time, _shape, _names, _series)
