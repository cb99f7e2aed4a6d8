"""Counter files: CSV after RFC 4180 with a header that names its columns, read in blocks of lines."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from typing import BinaryIO
from zoneinfo import ZoneInfo

from service.errors import TooLarge
from service.feeds import assembly, cells, columns, csv_lines, csv_rows, times
from service.feeds.files import Named, Progress, opened
from service.feeds.joining import joined
from service.feeds.limits import IngestLimits
from service.terms import Parsed

_WHOLE_FILE_ROWS = 50_000
_LINES_BESIDE = 1000  # a header, remarks and blank lines


def read(path: Named, *, zone: str | None = None, kilo: int = 1000, progress: Progress | None = None) -> Parsed:
    """All samples of a file, their index the line they stand on."""
    return joined(batches(path, _WHOLE_FILE_ROWS, zone=zone, kilo=kilo, progress=progress))


def batches(
    path: Named, rows: int = 10_000, *, zone: str | None = None, kilo: int = 1000, progress: Progress | None = None
) -> Iterator[Parsed]:
    """The samples of a file, at most `rows` lines at a time."""
    how = times.zone_named(zone), kilo
    with opened(path, progress) as (stream, seen):
        yield from _pieces(stream, str(path), rows, how, seen)


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
    sheet = csv_rows.Sheet(head.names, tuple(name for name in head.names if not columns.own(name)))
    zone, kilo = how
    for block in csv_lines.blocks(stream, rows, head.line + 1, where, seen):
        told, texts = csv_rows.texts(block, sheet)
        told.zone, told.kilo = zone, kilo
        for name, column in texts.items():
            cells.take_texts(told, columns.COLUMNS[name], column)
        yield assembly.parsed(told)
