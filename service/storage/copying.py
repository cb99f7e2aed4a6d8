"""PostgreSQL's binary COPY, its rows made and read by numpy: no step is taken a row at a time.

Source of the form: PostgreSQL manual, COPY, "Binary Format": an 11-octet signature, two 32-bit
words, then for each row a 16-bit count of fields and for each field a 32-bit length and its
octets, all big-endian; a count of -1 ends it. With columns of fixed width, none empty, every row
has the same size, and so all rows together are one numpy array.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import psycopg
from sqlalchemy import Connection

HEADER = b"PGCOPY\n\xff\r\n\0" + bytes(8)
TRAILER = b"\xff\xff"

Rows = npt.NDArray[np.void]


def row_type(columns: Mapping[str, str]) -> np.dtype[np.void]:
    """The type of a row whose columns have the given numpy types (">i2", ">i4", ">i8", or "V12" for 12 octets)."""
    fields: list[tuple[str, str]] = [("_fields", ">i2")]
    for name, kind in columns.items():
        fields += [(f"_width of {name}", ">i4"), (name, kind)]
    return np.dtype(fields)


def empty_rows(columns: Mapping[str, str], count: int) -> Rows:
    """So many rows, complete but for the values of their columns."""
    rows = np.empty(count, dtype=row_type(columns))
    rows["_fields"] = len(columns)
    for name in columns:
        rows[f"_width of {name}"] = rows.dtype[name].itemsize
    return rows


def filled_rows(columns: Mapping[str, str], values: Sequence[npt.NDArray[Any] | int], count: int) -> Rows:
    """So many rows of the given values, an array or one number for all rows for each column."""
    pattern = empty_rows(columns, 1)
    told = dict(zip(columns, values, strict=True))
    for name, value in told.items():
        pattern[name] = value if isinstance(value, int) else 0
    octets = np.empty((count, pattern.itemsize), dtype=np.uint8)
    octets[:] = pattern.view(np.uint8)
    rows = octets.reshape(-1).view(pattern.dtype)
    for name, value in told.items():
        if not isinstance(value, int):
            rows[name] = value
    return rows


def write(connection: Connection, table: str, columns: Mapping[str, str], rows: Rows) -> None:
    """Append rows to a table."""
    with (
        cursor(connection) as psycopg_cursor,
        psycopg_cursor.copy(f"COPY {table} ({', '.join(columns)}) FROM STDIN (FORMAT BINARY)") as copy,
    ):
        copy.write(HEADER)
        copy.write(rows.view(np.uint8).data)
        copy.write(TRAILER)


def read(connection: Connection, query: str, parameters: tuple[Any, ...], columns: Mapping[str, str]) -> Rows:
    """The rows that a query answers, their columns named in order."""
    with (
        cursor(connection) as psycopg_cursor,
        psycopg_cursor.copy(f"COPY ({query}) TO STDOUT (FORMAT BINARY)", parameters) as copy,
    ):
        raw = b"".join(copy)
    return np.frombuffer(raw, dtype=row_type(columns), offset=len(HEADER), count=_count(raw, columns))


def cursor(connection: Connection) -> psycopg.Cursor[Any]:
    """The driver's own cursor within the connection's transaction."""
    if not connection.in_transaction():
        connection.begin()
    return cast("psycopg.Connection[Any]", connection.connection.driver_connection).cursor()


def _count(raw: bytes, columns: Mapping[str, str]) -> int:
    return (len(raw) - len(HEADER) - len(TRAILER)) // row_type(columns).itemsize
