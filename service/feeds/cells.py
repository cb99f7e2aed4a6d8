"""Columns of cells, read at once where every cell is plainly good, and cell by cell where one is not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pyarrow as pa

from service.feeds import cell_values, plain
from service.feeds.cell_values import Wrong
from service.feeds.columns import Column
from service.feeds.told import ARROW_OF, Told, listed


def take_texts(told: Told, column: Column, texts: pa.Array) -> None:
    """Read a column of texts, null where the cell is empty."""
    ready = plain.of_texts(column, texts)
    if ready is None:
        ready = _one_by_one(told, column, listed(texts), cell_values.of_text)
    told.columns[column.name] = ready


def take_values(told: Told, column: Column, values: Sequence[Any], kinds: frozenset[type] | None = None) -> None:
    """Read a column of values as JSON has them, None where there is none.

    `kinds` are the types that they can only have, besides None, where that is known.
    """
    ready = plain.of_values(column, values, kinds)
    if ready is None:
        ready = _one_by_one(told, column, values, cell_values.of_value)
    told.columns[column.name] = ready


def take_typed(told: Told, column: Column, array: pa.Array) -> None:
    """Read a column that has a type already: integers, floats, texts, instants with a zone."""
    ready = plain.of_typed(column, array)
    if ready is None:
        ready = _one_by_one(told, column, _as_values(array), cell_values.of_value)
    told.columns[column.name] = ready


def _one_by_one(told: Told, column: Column, cells: Sequence[Any], rule: Callable[..., Any]) -> pa.Array:
    """Each cell by itself; what is wrong is refused with its row and left empty."""
    values: list[Any] = [None] * len(cells)
    for row, cell in enumerate(cells):
        try:
            values[row] = rule(column, cell, told.zone)
        except Wrong as wrong:
            told.refuse(row, str(wrong), column.name, "" if cell is None else cell)
    ready = pa.array(values, ARROW_OF[column.sort])
    return ready.dictionary_encode() if pa.types.is_string(ready.type) else ready


def _as_values(array: pa.Array) -> list[Any]:
    """A typed column as JSON would have it: instants as seconds since the epoch."""
    if not pa.types.is_timestamp(array.type):
        return listed(array)
    per_second = plain.PER_SECOND[array.type.unit]
    return [None if ticks is None else ticks / per_second for ticks in listed(array.cast(pa.int64()))]
