"""Rows as CSV (RFC 4180, UTF-8) in which no spreadsheet finds a formula, and the way back.

A spreadsheet takes a cell for a formula that begins with one of a few characters, and names of devices,
ports and notes are foreign text. Such a text gets an apostrophe in front, and so does what looks like it and
already has one; `plain` takes off what was put there. Quoting hides separators from whoever reads as
RFC 4180 says; a spreadsheet set to another separator cuts the same text elsewhere, so that the apostrophe is
also put where such a cut would begin a cell. Numbers are written as numbers, also those below zero.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice

ROWS_AT_ONCE = 500

# = + - @, their full-width forms, NUL, and what ends a cell or a line.
_BEGINS = "=+\\-@\0\t\r\n＝＋－＠"  # noqa: RUF001  # the full-width forms
_CUTS = r",;|\t\n\""
_AT_A_BEGINNING = rf"(?:\A|(?<=[{_CUTS}])|(?<=\r)(?!\n))"  # within the end of a line begins nothing
_FORMULA = rf"(?='*[^\S\t\r\n]*[{_BEGINS}])"
_UNGUARDED = re.compile(_AT_A_BEGINNING + _FORMULA)
_GUARDED = re.compile(f"{_AT_A_BEGINNING}'{_FORMULA}")


def written(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """A whole file: a line of names, then a line a row; what is unknown (None, NaN) is an empty cell."""
    return b"".join(pieces(columns, rows))


def pieces(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[bytes]:
    """The same file piece by piece, never more than some hundred rows at once."""
    rest = iter(rows)
    yield _lines([columns])
    while some := list(islice(rest, ROWS_AT_ONCE)):
        yield _lines(some)


def guarded(text: str) -> str:
    """A text with an apostrophe wherever a cell could begin like a formula."""
    return _UNGUARDED.sub("'", text)


def plain(cell: str) -> str:
    """The text that a cell was written from."""
    return _GUARDED.sub("", cell)


def _lines(rows: Iterable[Sequence[object]]) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue().encode("utf-8", "replace")


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, int) else guarded(str(value))
