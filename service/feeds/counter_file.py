"""Counter files: CSV after RFC 4180 with a header that names its columns, read in blocks of lines.

A block is read at once by pyarrow, all cells as text; what it cannot place is read again
line by line, so that every refusal names its line and no good row is lost beside a bad one.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv

from service.errors import TooLarge, UnusableInput
from service.feeds import assembly, cells, columns, csv_lines, times
from service.feeds.csv_lines import Block, Header
from service.feeds.joining import joined
from service.feeds.limits import IngestLimits
from service.feeds.told import Told
from service.terms import Ints, Parsed

Progress = Callable[[int, int], None]  # octets read, octets in all
_WHOLE_FILE_ROWS = 50_000
_LINES_BESIDE = 1000  # a header, remarks and blank lines


def read(path: Path | str, *, zone: str | None = None, kilo: int = 1000, progress: Progress | None = None) -> Parsed:
    """All samples of a file, their index the line they stand on."""
    return joined(batches(path, _WHOLE_FILE_ROWS, zone=zone, kilo=kilo, progress=progress))


def batches(
    path: Path | str, rows: int = 10_000, *, zone: str | None = None, kilo: int = 1000, progress: Progress | None = None
) -> Iterator[Parsed]:
    """The samples of a file, at most `rows` lines at a time."""
    where = str(path)
    how = times.zone_named(zone), kilo
    try:
        octets = Path(path).stat().st_size
        with Path(path).open("rb") as stream:
            seen = (lambda so_far: progress(so_far, octets)) if progress else (lambda _: None)
            yield from _pieces(stream, where, rows, how, seen)
    except OSError as failure:
        why = f"cannot be read: {failure.strerror or failure}"
        raise UnusableInput(where, why, "name a file that can, or copy it again") from failure


def parse(body: bytes, limits: IngestLimits) -> Parsed:
    """The samples of a pushed counter file, their index the line they stand on."""
    most = limits.max_samples
    if body.count(b"\n") > most + _LINES_BESIDE:  # before any work is done
        raise _too_many(most)
    found = joined(_pieces(io.BytesIO(body), "body", _WHOLE_FILE_ROWS, (None, 1000), lambda _: None))
    if len(found.samples) + len(found.rejects) > most:
        raise _too_many(most)
    return found


def _too_many(most: int) -> TooLarge:
    return TooLarge("body", f"holds more than {most} samples", "send smaller batches")


def _pieces(
    stream: BinaryIO, where: str, rows: int, how: tuple[ZoneInfo | None, int], seen: Callable[[int], None]
) -> Iterator[Parsed]:
    head = csv_lines.header(stream, where)
    zone, kilo = how
    for block in csv_lines.blocks(stream, rows, head.line + 1, where, seen):
        told, texts = _quickly(block, head) or _line_by_line(block, head)
        told.zone, told.kilo = zone, kilo
        for name, column in texts.items():
            cells.take_texts(told, columns.COLUMNS[name], column)
        yield assembly.parsed(told)


def _known(head: Header) -> list[str]:
    return [name for name in head.names if not columns.own(name)]


def _quickly(block: Block, head: Header) -> tuple[Told, dict[str, pa.Array]] | None:
    """A block read at once; None where its rows are not plainly its lines."""
    if _is_odd(block.octets):
        return None
    wrong: list[tuple[int, int]] = []

    def skip(row: Any) -> str:
        wrong.append((row.number, row.actual_columns))
        return "skip"

    try:
        table = _table(block, head, skip)
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        return None
    if table.num_rows + len(wrong) != block.lines or (wrong and b'"' in block.octets):
        return None  # a quoted value ran over its line's end, or a quote too many made one value of several
    told = Told(_lines_kept(block, [number for number, _ in wrong]))
    told.refuse_items((block.first_line + number - 1, _misfit(count, head)) for number, count in wrong)
    return told, {name: table.column(name).combine_chunks() for name in _known(head)}


def _is_odd(octets: bytes) -> bool:
    blank = octets.startswith((b"\n", b"\r\n")) or b"\n\n" in octets or b"\n\r\n" in octets
    lone = octets.count(b"\r") != octets.count(b"\r\n")
    return blank or lone or octets.count(b'"') % 2 == 1 or not _is_utf8(octets)


def _is_utf8(octets: bytes) -> bool:
    try:
        return octets.isascii() or bool(octets.decode())
    except UnicodeDecodeError:
        return False


def _table(block: Block, head: Header, wrong: Callable[[Any], str]) -> pa.Table:
    return arrow_csv.read_csv(
        pa.BufferReader(block.octets),
        # Within one block, so that rows are numbered.
        read_options=arrow_csv.ReadOptions(
            column_names=head.names, use_threads=False, block_size=len(block.octets) + 1
        ),
        parse_options=arrow_csv.ParseOptions(invalid_row_handler=wrong, ignore_empty_lines=False),
        convert_options=arrow_csv.ConvertOptions(
            include_columns=_known(head),
            column_types=dict.fromkeys(_known(head), pa.string()),
            null_values=[""],
            strings_can_be_null=True,
        ),
    )


def _lines_kept(block: Block, wrong: list[int]) -> Ints:
    lines = np.arange(block.first_line, block.first_line + block.lines, dtype=np.int64)
    return np.delete(lines, np.array(wrong, dtype=np.int64) - 1)


def _misfit(count: int, head: Header) -> str:
    return f"has {count} values where the header has {len(head.names)} columns; mind commas and quotes"


def _line_by_line(block: Block, head: Header) -> tuple[Told, dict[str, pa.Array]]:
    rows: list[list[str]] = []
    lines: list[int] = []
    wrong: list[tuple[int, str]] = []
    for number, line in enumerate(block.octets.split(b"\n")[:-1], start=block.first_line):
        bare = line.removesuffix(b"\r")
        if not bare:
            continue
        values, reason = _values(bare, head)
        if reason:
            wrong.append((number, reason))
        else:
            rows.append(values)
            lines.append(number)
    told = Told(np.array(lines, dtype=np.int64))
    told.refuse_items(wrong)
    places = {name: place for place, name in enumerate(head.names)}
    return told, {name: pa.array([row[places[name]] or None for row in rows], pa.string()) for name in _known(head)}


def _values(line: bytes, head: Header) -> tuple[list[str], str]:
    """The values of one line, or why it has none."""
    try:
        values = next(csv.reader([line.decode()], strict=True), [])
    except UnicodeDecodeError as wrong:
        return [], f"is no UTF-8 at octet {wrong.start} of the line; save the file as UTF-8"
    except csv.Error as wrong:
        return [], f"is no row of RFC 4180 ({wrong}); mind the quotes, and end a quoted value on its own line"
    return (values, "") if len(values) == len(head.names) else ([], _misfit(len(values), head))
