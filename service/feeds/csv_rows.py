"""Blocks of lines as columns of text.

A block is read at once by pyarrow, all cells as text; what it cannot place is read again
line by line, so that every refusal names its line and no good row is lost beside a bad one.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv

from service.feeds.csv_lines import Block
from service.feeds.told import Told
from service.terms import Ints


@dataclass(frozen=True)
class Sheet:
    """How lines are cut into cells: the names of all columns, those that are wanted, and what separates them."""

    names: tuple[str, ...]
    wanted: tuple[str, ...]
    separator: str = ","


def texts(block: Block, sheet: Sheet) -> tuple[Told, dict[str, pa.Array]]:
    """The wanted columns of a block as texts, null where a cell is empty; lines that are no rows are refused."""
    return _quickly(block, sheet) or _line_by_line(block, sheet)


def _quickly(block: Block, sheet: Sheet) -> tuple[Told, dict[str, pa.Array]] | None:
    """A block read at once; None where its rows are not plainly its lines."""
    if _is_odd(block.octets):
        return None
    wrong: list[tuple[int, int]] = []

    def skip(row: Any) -> str:
        wrong.append((row.number, row.actual_columns))
        return "skip"

    try:
        table = _table(block, sheet, skip)
    except (pa.ArrowInvalid, pa.ArrowKeyError):
        return None
    if table.num_rows + len(wrong) != block.lines or (wrong and b'"' in block.octets):
        return None  # a quoted value ran over its line's end, or a quote too many made one value of several
    told = Told(_lines_kept(block, [number for number, _ in wrong]))
    told.refuse_items((block.first_line + number - 1, _misfit(count, sheet)) for number, count in wrong)
    return told, {name: table.column(name).combine_chunks() for name in sheet.wanted}


def _is_odd(octets: bytes) -> bool:
    blank = octets.startswith((b"\n", b"\r\n")) or b"\n\n" in octets or b"\n\r\n" in octets
    lone = octets.count(b"\r") != octets.count(b"\r\n")
    return blank or lone or octets.count(b'"') % 2 == 1 or not _is_utf8(octets)


def _is_utf8(octets: bytes) -> bool:
    try:
        return octets.isascii() or bool(octets.decode())
    except UnicodeDecodeError:
        return False


def _table(block: Block, sheet: Sheet, wrong: Callable[[Any], str]) -> pa.Table:
    return arrow_csv.read_csv(
        pa.BufferReader(block.octets),
        # Within one block, so that rows are numbered.
        read_options=arrow_csv.ReadOptions(
            column_names=list(sheet.names), use_threads=False, block_size=len(block.octets) + 1
        ),
        parse_options=arrow_csv.ParseOptions(
            delimiter=sheet.separator, invalid_row_handler=wrong, ignore_empty_lines=False
        ),
        convert_options=arrow_csv.ConvertOptions(
            include_columns=list(sheet.wanted),
            column_types=dict.fromkeys(sheet.wanted, pa.string()),
            null_values=[""],
            strings_can_be_null=True,
        ),
    )


def _lines_kept(block: Block, wrong: list[int]) -> Ints:
    lines = np.arange(block.first_line, block.first_line + block.lines, dtype=np.int64)
    return np.delete(lines, np.array(wrong, dtype=np.int64) - 1)


def _misfit(count: int, sheet: Sheet) -> str:
    return f"has {count} values where the header has {len(sheet.names)} columns; mind commas and quotes"


def _line_by_line(block: Block, sheet: Sheet) -> tuple[Told, dict[str, pa.Array]]:
    rows: list[list[str]] = []
    lines: list[int] = []
    wrong: list[tuple[int, str]] = []
    for number, line in enumerate(block.octets.split(b"\n")[:-1], start=block.first_line):
        bare = line.removesuffix(b"\r")
        if not bare:
            continue
        values, reason = _values(bare, sheet)
        if reason:
            wrong.append((number, reason))
        else:
            rows.append(values)
            lines.append(number)
    told = Told(np.array(lines, dtype=np.int64))
    told.refuse_items(wrong)
    places = {name: place for place, name in enumerate(sheet.names)}
    return told, {name: pa.array([row[places[name]] or None for row in rows], pa.string()) for name in sheet.wanted}


def _values(line: bytes, sheet: Sheet) -> tuple[list[str], str]:
    """The values of one line, or why it has none."""
    try:
        values = next(csv.reader([line.decode()], delimiter=sheet.separator, strict=True), [])
    except UnicodeDecodeError as wrong:
        return [], f"is no UTF-8 at octet {wrong.start} of the line; save the file as UTF-8"
    except csv.Error as wrong:
        return [], f"is no row of RFC 4180 ({wrong}); mind the quotes, and end a quoted value on its own line"
    return (values, "") if len(values) == len(sheet.names) else ([], _misfit(len(values), sheet))
