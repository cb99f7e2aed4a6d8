"""Rows as a file to keep: written aside first, so that what is sent is whole or is a refusal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from tempfile import SpooledTemporaryFile
from typing import Any, Literal

from fastapi.responses import StreamingResponse

from service.errors import TooManyRows
from service.exports import csv, parquet
from service.exports.parquet import Column, Kind
from service.webhooks.fields import milliseconds

Form = Literal["csv", "parquet"]
Rows = Iterator[Mapping[str, Any]]
MEDIA_TYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
PARAMETERS = {"csv": "; charset=utf-8; header=present", "parquet": ""}
MOST_ROWS = 200_000
HELD_OCTETS = 4 << 20  # what is longer goes to a file that no other program sees
OCTETS_AT_ONCE = 1 << 16


class Written:
    """A file in one of the forms; it is gone once it was sent."""

    def __init__(self, form: Form, columns: Sequence[Column], rows: Rows) -> None:
        self.form = form
        self._file = SpooledTemporaryFile(max_size=HELD_OCTETS)  # noqa: SIM115  # open until it was sent
        try:
            if form == "csv":
                told = ([row.get(column.name) for column in columns] for row in _bounded(rows))
                for piece in csv.pieces([column.name for column in columns], told):
                    self._file.write(piece)
            else:
                typed = ([_typed(row.get(column.name), column) for column in columns] for row in _bounded(rows))
                parquet.write(self._file, columns, typed)
        except BaseException:
            self._file.close()
            raise
        self.length = self._file.tell()

    def answer(self, noun: str, now_ms: int) -> StreamingResponse:
        """The file as an answer that a browser keeps under a name of ours: no foreign text is in it."""
        stamp = datetime.fromtimestamp(now_ms // 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
        headers = {
            "content-disposition": f'attachment; filename="lopside-{noun}-{stamp}.{self.form}"',
            "content-length": str(self.length),
        }
        media_type = MEDIA_TYPES[self.form] + PARAMETERS[self.form]
        return StreamingResponse(self._sent(), headers=headers, media_type=media_type)

    def _sent(self) -> Iterator[bytes]:
        with self._file as file:
            file.seek(0)
            while octets := file.read(OCTETS_AT_ONCE):
                yield octets


def _bounded(rows: Rows) -> Rows:
    for count, row in enumerate(rows):
        if count == MOST_ROWS:
            raise TooManyRows(MOST_ROWS)
        yield row


def _typed(value: Any, column: Column) -> Any:
    return milliseconds(value) if column.kind is Kind.INSTANT else value
