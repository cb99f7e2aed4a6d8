"""A counter file cut into its header and blocks of whole lines, in bounded memory.

A row is one line: RFC 4180 would let a quoted value run over its line's end, but no value
of a counter file holds a line break, and so one lost quote costs one line and not the file.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from service.errors import UnusableInput
from service.feeds import columns, encoding

_AT_ONCE = 1 << 20
_LONGEST_LINE = 1 << 20
_SEPARATORS = {";": "semicolons", "\t": "tabs", "|": "bars"}


@dataclass(frozen=True)
class Header:
    """The names of a file's columns, and the number of the line they stand on."""

    names: tuple[str, ...]
    line: int


@dataclass(frozen=True)
class Block:
    """Whole lines, each with its end, and the number of the first of them."""

    octets: bytes
    first_line: int
    lines: int


def header(stream: BinaryIO, where: str) -> Header:
    """Read a file as far as its header, which comes after any lines that begin with #."""
    number = 1
    line = encoding.without_mark(_line(stream, where, number), where)
    while not line.strip() or line.startswith(b"#"):
        number += 1
        if not (line := _line(stream, where, number)):
            raise UnusableInput(where, "has no header", _remedy())
    names = _names(encoding.text_of(line, f"{where}, line {number}").rstrip("\r\n"), f"{where}, line {number}")
    if wrong := columns.unusable(names):
        what, _, remedy = wrong.partition("; ")
        raise UnusableInput(f"{where}, line {number}", what, remedy)
    return Header(names, number)


def blocks(stream: BinaryIO, rows: int, first_line: int, where: str, seen: Callable[[int], None]) -> Iterator[Block]:
    """The rest of a file, `rows` lines at a time; `seen` is told how many octets were read so far."""
    held: list[bytes] = []
    ends = 0
    while chunk := stream.read(_AT_ONCE):
        held.append(chunk)
        ends += chunk.count(b"\n")
        if ends >= rows:
            for block in _cut(held, rows, first_line):
                yield block
                first_line += block.lines
                ends -= block.lines
        _refuse_endless(held, first_line, ends, where)
        seen(stream.tell())
    if rest := b"".join(held):
        rest = rest if rest.endswith(b"\n") else rest + b"\n"
        yield Block(rest, first_line, rest.count(b"\n"))


def _cut(held: list[bytes], rows: int, first_line: int) -> Iterator[Block]:
    """Cut whole blocks off what is held, and hold on to the rest."""
    whole = b"".join(held)
    ends = np.flatnonzero(np.frombuffer(whole, dtype=np.uint8) == ord("\n"))
    start = 0
    for end in ends[rows - 1 :: rows].tolist():
        yield Block(whole[start : end + 1], first_line, rows)
        first_line += rows
        start = end + 1
    held[:] = [whole[start:]]


def _refuse_endless(held: list[bytes], first_line: int, ends: int, where: str) -> None:
    if held and len(held[-1]) > _LONGEST_LINE - 1 and b"\n" not in held[-1]:
        raise _too_long(where, first_line + ends)


def _line(stream: BinaryIO, where: str, number: int) -> bytes:
    line = stream.readline(_LONGEST_LINE)
    if len(line) == _LONGEST_LINE and not line.endswith(b"\n"):
        raise _too_long(where, number)
    return line


def _too_long(where: str, number: int) -> UnusableInput:
    return UnusableInput(
        f"{where}, line {number}", f"is longer than {_LONGEST_LINE} octets", "end each row with a line feed"
    )


def _names(line: str, where: str) -> tuple[str, ...]:
    if "\r" in line:
        raise UnusableInput(where, "holds carriage returns without line feeds", "end lines with LF or CRLF")
    try:
        names = tuple(next(csv.reader([line], strict=True)))
    except csv.Error as wrong:
        raise UnusableInput(where, f"is no header of RFC 4180: {wrong}", _remedy()) from wrong
    for separator, name in _SEPARATORS.items():
        if len(names) == 1 and separator in line:
            raise UnusableInput(where, f"is separated by {name}", "separate by commas, with a point in decimals")
    return names


def _remedy() -> str:
    return "begin with a line of column names: time,device,port,team,speed_bps,in_octets,out_octets"
