"""A batch as it is being read, column by column, and its columns as arrays.

Counters come out as uint64, rates as float64 in the column's unit, times as int64
milliseconds, names and words as dictionary-encoded text; a missing value is null.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from service.feeds import columns
from service.feeds.columns import Column, Sort
from service.terms import UNKNOWN, Ints, Reject, Truths

ARROW_OF = {
    Sort.TIME: pa.int64(),
    Sort.NUMBER: pa.uint64(),
    Sort.RATE: pa.float64(),
    Sort.NAME: pa.string(),
    Sort.WORD: pa.string(),
    Sort.MAC: pa.string(),
}


@dataclass
class Told:
    """A batch as it is being read: its columns so far, and the rows that cannot be taken."""

    index: Ints  # which item or line each row came from
    columns: dict[str, pa.Array] = field(default_factory=dict)
    rejects: dict[int, Reject] = field(default_factory=dict)
    items: list[Reject] = field(default_factory=list)  # what never became a row
    kilo: int = 1000
    zone: ZoneInfo | None = None

    def __len__(self) -> int:
        return len(self.index)

    def refuse(self, row: int, reason: str, column: str = "", value: Any = "") -> None:
        """Say why a row is not taken; the first reason given stands."""
        shown = columns.shown(value) if column else ""
        text = f"{column}: {shown!r} {reason}" if column and shown else f"{column}: {reason}" if column else reason
        self.rejects.setdefault(row, Reject(int(self.index[row]), text, column, shown))

    def refuse_items(self, items: Iterable[tuple[int, str]]) -> None:
        """Say why items, by index or line, never became rows."""
        self.items += [Reject(index, reason) for index, reason in items]


def listed(array: pa.Array) -> list[Any]:
    """The values of a column, None where there is none; for texts five times as fast as pyarrow's own list."""
    if pa.types.is_dictionary(array.type):
        words = [*listed(array.dictionary), None]
        indices = array.indices.fill_null(len(words) - 1) if array.null_count else array.indices
        return [words[at] for at in indices.to_numpy().tolist()]
    if pa.types.is_string(array.type):
        return array.to_numpy(zero_copy_only=False).tolist()  # type: ignore[no-any-return]  # untyped library
    return array.to_pylist()  # type: ignore[no-any-return]  # untyped library


def none_of(column: Column, count: int) -> pa.Array:
    """A column that no row tells."""
    nothing = pa.nulls(count, ARROW_OF[column.sort])
    return nothing.dictionary_encode() if pa.types.is_string(nothing.type) else nothing


def numbers(told: Told, name: str, missing: int) -> np.ndarray:
    """A column of whole numbers, `missing` where a row tells none."""
    column = told.columns.get(name)
    if column is None:
        return np.full(len(told), missing, dtype=np.int64)
    if missing < 0 and column.type == pa.uint64():
        column = column.cast(pa.int64())
    return (column.fill_null(missing) if column.null_count else column).to_numpy(zero_copy_only=False)  # type: ignore[no-any-return]  # untyped library


def truths(column: pa.Array) -> Truths:
    """Which rows tell a value."""
    if not column.null_count:
        return np.ones(len(column), dtype=np.bool_)
    return column.is_valid().to_numpy(zero_copy_only=False)  # type: ignore[no-any-return]  # untyped library


def indices(encoded: pa.DictionaryArray) -> np.ndarray:
    """Where in the dictionary each row's word stands, UNKNOWN where it has none."""
    places = encoded.indices
    return (places.fill_null(UNKNOWN) if places.null_count else places).to_numpy(zero_copy_only=False)  # type: ignore[no-any-return]  # untyped library


def words(told: Told, name: str, number: Callable[[str], int]) -> Ints:
    """A column of words as the numbers they stand for, that of the empty word where a row tells none."""
    encoded = told.columns.get(name)
    if encoded is None:
        return np.full(len(told), number(""), dtype=np.int64)
    # One more at the end, which UNKNOWN points to.
    numbers = np.array([number(word or "") for word in [*listed(encoded.dictionary), ""]], dtype=np.int64)
    return numbers[indices(encoded)]  # type: ignore[no-any-return]  # untyped library
