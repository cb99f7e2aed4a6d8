"""Rows as Parquet: typed columns, instants in UTC, null for what is unknown, compressed with zstd."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import islice
from typing import IO

import pyarrow as pa
import pyarrow.parquet as pq

ROWS_A_GROUP = 20_000


class Kind(Enum):
    """What the values of a column are."""

    TEXT = pa.string()
    COUNT = pa.int64()
    FIGURE = pa.float64()
    TRUTH = pa.bool_()
    INSTANT = pa.timestamp("ms", tz="UTC")  # given as milliseconds since 1970


@dataclass(frozen=True)
class Column:
    """A column by its name, and what its values are."""

    name: str
    kind: Kind = Kind.TEXT


def written(columns: Sequence[Column], rows: Iterable[Sequence[object]]) -> bytes:
    """A whole file."""
    out = io.BytesIO()
    write(out, columns, rows)
    return out.getvalue()


def write(out: IO[bytes], columns: Sequence[Column], rows: Iterable[Sequence[object]]) -> None:
    """Write a file group by group, so that no more rows than those of one are held."""
    schema = pa.schema([(column.name, column.kind.value) for column in columns])
    rest = iter(rows)
    with pq.ParquetWriter(out, schema, compression="zstd") as file:
        while some := list(islice(rest, ROWS_A_GROUP)):
            values = zip(*some, strict=True)
            arrays = [_array(column, own) for column, own in zip(columns, values, strict=True)]
            file.write_table(pa.Table.from_arrays(arrays, schema=schema))


def _array(column: Column, values: Sequence[object]) -> pa.Array:
    return pa.array([_known(value) for value in values], type=column.kind.value)


def _known(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value
