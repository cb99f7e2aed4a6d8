"""Exports of averages, or of counters, with columns of their own, read as a mapping says.

The long form has a row for each port and time, the wide form a row for each time and a column
for each port and direction. Samples of either come from the assembly of all feeds, in blocks
of lines, so that memory stays bounded and every refusal names its line and column.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np
import pyarrow as pa

from service.errors import UnusableInput
from service.feeds import assembly, cells, csv_lines, csv_rows, encoding, export_times, export_values
from service.feeds.anchors import anchored
from service.feeds.columns import Column, Sort, shown
from service.feeds.csv_rows import Sheet
from service.feeds.files import Named, Progress, opened
from service.feeds.joining import joined
from service.feeds.mapping import FAR_END, RATE, Mapping, Series, refusal
from service.feeds.mirrored import mirrored
from service.feeds.told import Told
from service.terms import Parsed

_WHOLE_FILE_ROWS = 50_000
_LONGEST_LINE = 1 << 20
_MOST_SHOWN = 30  # of a header, where a column is missed


def read(path: Named, mapping: Mapping, progress: Progress | None = None) -> Parsed:
    """All samples of a file, their index the line they stand on, UNKNOWN for what only marks where one begins."""
    return joined(batches(path, mapping, _WHOLE_FILE_ROWS, progress))


def batches(path: Named, mapping: Mapping, rows: int = 10_000, progress: Progress | None = None) -> Iterator[Parsed]:
    """The samples of a file, those of some `rows` rows and ports at a time."""
    pieces = _pieces(path, mapping, rows, progress)
    yield from anchored(pieces, mapping.interval_ms) if mapping.form == RATE else pieces


def _pieces(path: Named, mapping: Mapping, rows: int, progress: Progress | None) -> Iterator[Parsed]:
    if (wrong := refusal(mapping)) is not None:
        raise UnusableInput(f"mapping {mapping.name}".strip(), f"{wrong.key}: {wrong.why}", wrong.remedy)
    with opened(path, progress) as (stream, seen):
        yield from _of_stream(stream, str(path), mapping, rows, seen)


def _of_stream(
    stream: BinaryIO, where: str, mapping: Mapping, rows: int, seen: Callable[[int], None]
) -> Iterator[Parsed]:
    sheet = _sheet(stream, where, mapping)
    seats = _seats(mapping)
    lines = max(1, rows // max(1, len(seats)))
    for block in csv_lines.blocks(stream, lines, mapping.skip_lines + 2, where, seen):
        told, texts = csv_rows.texts(block, sheet)
        of_column = dict(zip(mapping.named_columns(), (texts[place] for place in sheet.wanted), strict=True))
        found = _with_values(assembly.parsed(_wide(told, mapping, seats, of_column) if seats else
                                             _long(told, mapping, of_column)))  # fmt: skip
        yield mirrored(found) if mapping.vantage == FAR_END else found


def _sheet(stream: BinaryIO, where: str, mapping: Mapping) -> Sheet:
    """How the lines are cut. Columns go by their place, because those that nobody mapped may be called anything."""
    names = _header(stream, where, mapping)
    number = f"{where}, line {mapping.skip_lines + 1}"
    for name in mapping.named_columns():
        if name not in names:
            raise UnusableInput(number, f"has no column {name!r}; there are {_listed(names)}", "mend the mapping")
        if names.count(name) > 1:
            raise UnusableInput(number, f"column {name!r} is there twice", "rename one of them")
    wanted = tuple(str(names.index(name)) for name in mapping.named_columns())
    return Sheet(tuple(map(str, range(len(names)))), wanted, mapping.delimiter)


def _header(stream: BinaryIO, where: str, mapping: Mapping) -> list[str]:
    number, line = 0, b""
    for number in range(1, mapping.skip_lines + 2):
        line = stream.readline(_LONGEST_LINE)
        if number == 1:
            line = encoding.without_mark(line, where)
        if not line:
            raise UnusableInput(where, f"ends before line {number}", "mend skip_lines")
    text = encoding.text_of(line, f"{where}, line {number}").rstrip("\r\n")
    try:
        return next(csv.reader([text], delimiter=mapping.delimiter, strict=True), [])
    except csv.Error as wrong:
        raise UnusableInput(f"{where}, line {number}", f"is no header: {wrong}", "mend it, or skip_lines") from wrong


def _listed(names: list[str]) -> str:
    told = ", ".join(repr(shown(name)) for name in names[:_MOST_SHOWN])
    return told if len(names) <= _MOST_SHOWN else f"{told} and {len(names) - _MOST_SHOWN} more"


@dataclass(frozen=True)
class _Seat:
    """A port of a wide file, with the column of each of its directions."""

    device: str
    port: str
    team: str
    speed_bps: int
    columns: dict[str, str]  # by direction of the port


def _seats(mapping: Mapping) -> list[_Seat]:
    """The ports of a wide mapping in the order in which it names them; none for a long one."""
    seats: dict[tuple[str, str], _Seat] = {}
    for series in mapping.series:
        key = (series.device or mapping.device, series.port)
        seat = seats.get(key) or _Seat(*key, mapping.team, mapping.speed_bps, {})
        seat.columns[series.direction] = series.column
        seats[key] = _seated(seat, series)
    return list(seats.values())


def _seated(seat: _Seat, series: Series) -> _Seat:
    return replace(seat, team=series.team or seat.team, speed_bps=series.speed_bps or seat.speed_bps)


def _long(told: Told, mapping: Mapping, texts: dict[str, pa.Array]) -> Told:
    """One row a line: names from the line or from the mapping."""
    export_times.take(told, mapping, texts[mapping.time_column])
    rows = Told(told.index, {"time": told.columns[mapping.time_column]}, told.rejects, told.items)
    for key, must in (("device", True), ("port", True), ("team", False)):
        if column := getattr(mapping, f"{key}_column"):
            cells.take_texts(told, Column(column, Sort.NAME, must=must), texts[column])
            rows.columns[key] = told.columns[column]
        elif fixed := getattr(mapping, key, ""):
            rows.columns[key] = _words([fixed], 1, len(told))
    for way, column in (("in", mapping.in_column), ("out", mapping.out_column)):
        if column:
            name = export_values.name_of(way, mapping)
            rows.columns[name] = export_values.taken(told, mapping, column, texts[column])
    if mapping.speed_bps:
        rows.columns["speed_bps"] = pa.array(np.full(len(told), mapping.speed_bps, dtype=np.uint64))
    return rows


def _wide(told: Told, mapping: Mapping, seats: list[_Seat], texts: dict[str, pa.Array]) -> Told:
    """A row for each line and port, line by line."""
    lines, ports = len(told), len(seats)
    export_times.take(told, mapping, texts[mapping.time_column])
    each = pa.array(np.repeat(np.arange(lines), ports))
    rows = Told(np.repeat(told.index, ports), {"time": told.columns[mapping.time_column].take(each)}, {}, told.items)
    # A line without a time is refused once and not for each of its ports.
    rows.items += told.rejects.values()
    timely = np.ones(lines, dtype=np.bool_)
    timely[list(told.rejects)] = False
    for key in ("device", "port", "team"):
        rows.columns[key] = _words([getattr(seat, key) for seat in seats], lines, 1)
    rows.columns["speed_bps"] = pa.array(np.tile(np.array([s.speed_bps for s in seats], dtype=np.uint64), lines))
    for way, direction in (("in", "ingress"), ("out", "egress")):
        if any(direction in seat.columns for seat in seats):
            values = [_values(rows, told, mapping, (at, ports, seat.columns.get(direction)), texts)
                      for at, seat in enumerate(seats)]  # fmt: skip
            rows.columns[export_values.name_of(way, mapping)] = _interleaved(values)
    return rows if timely.all() else _only(rows, np.repeat(timely, ports))


def _values(
    rows: Told, told: Told, mapping: Mapping, place: tuple[int, int, str | None], texts: dict[str, pa.Array]
) -> pa.Array:
    """The values of one port and direction; what is wrong is refused with the row of its line and port."""
    at, ports, column = place
    if column is None:
        return pa.nulls(len(told), export_values.type_of(mapping))
    own = Told(told.index)
    values = export_values.taken(own, mapping, column, texts[column])
    for line, reject in own.rejects.items():
        rows.rejects.setdefault(line * ports + at, reject)
    return values


def _interleaved(columns: list[pa.Array]) -> pa.Array:
    """Columns of one length, turned into one that goes through them line by line."""
    lines = len(columns[0])
    order = np.arange(lines * len(columns)).reshape(len(columns), lines).T.ravel()
    return pa.concat_arrays(columns).take(pa.array(order))


def _words(words: list[str], times: int, each: int) -> pa.DictionaryArray:
    """Words over and over, an empty one as none."""
    distinct = {word: at for at, word in enumerate(dict.fromkeys(words))}
    codes = np.repeat(np.tile(np.array([distinct[word] for word in words], dtype=np.int32), times), each)
    return pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(list(distinct), pa.string()))


def _only(rows: Told, keep: np.ndarray) -> Told:
    kept = np.cumsum(keep) - 1
    return Told(
        rows.index[keep],
        {name: column.filter(pa.array(keep)) for name, column in rows.columns.items()},
        {int(kept[row]): reject for row, reject in rows.rejects.items() if keep[row]},
        rows.items,
    )


def _with_values(parsed: Parsed) -> Parsed:
    """A row and port without any value says nothing, not even that an interval ended there."""
    told = parsed.samples.known != 0
    if told.all():
        return parsed
    return replace(parsed, samples=parsed.samples.take(told), index=parsed.index[told])
