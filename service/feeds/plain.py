"""Whole columns read at once, where every cell is plainly good; None where one needs a closer look."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from service.feeds import cell_values, times
from service.feeds.cell_values import Wrong
from service.feeds.columns import Column, Sort
from service.feeds.told import listed, none_of

NUMBERS = frozenset((int, float))
NOTHING = type(None)
# What pyarrow raises on a list or text that is not what was said.
UNFIT = (pa.ArrowInvalid, pa.ArrowTypeError, OverflowError, UnicodeError)
# The units of Arrow's instants.
PER_SECOND = {"s": 1, "ms": 1000, "us": 1_000_000, "ns": 1_000_000_000}


def of_texts(column: Column, texts: pa.Array) -> pa.Array | None:
    """A column of texts, null where a cell is empty."""
    if texts.null_count:
        if column.must:
            return None
        if texts.null_count == len(texts):
            return none_of(column, len(texts))
    try:
        if column.sort is Sort.TIME:
            return _times_of_texts(texts)
        if column.sort is Sort.NUMBER:
            return _numbers_of_texts(column, texts)
        if column.sort is Sort.RATE:
            return _fit_rates(texts.cast(pa.float64()))
        return _fit_words(column, texts.dictionary_encode())
    except UNFIT:
        return None


def of_values(column: Column, values: Sequence[Any], kinds: frozenset[type] | None) -> pa.Array | None:
    """A column of values as JSON has them; `kinds` are their types besides None, where they are known."""
    seen = kinds or frozenset(map(type, values))
    if seen == {NOTHING}:
        return None if column.must else none_of(column, len(values))
    try:
        ready = _of_kinds(column, values, seen - {NOTHING})
    except UNFIT:
        return None
    return None if ready is None or (column.must and ready.null_count) else ready


def of_typed(column: Column, array: pa.Array) -> pa.Array | None:
    """A column that has a type already."""
    kind = array.type
    if pa.types.is_dictionary(kind):
        plain = array.dictionary_decode() if column.sort is Sort.TIME or array.dictionary.null_count else array
        return of_typed(column, plain) if plain is not array else _plain_dictionary(column, array)
    if array.null_count and (column.must or array.null_count == len(array)):
        return None if column.must else none_of(column, len(array))
    try:
        return _of_type(column, array)
    except UNFIT:
        return None


def is_text(kind: pa.DataType) -> bool:
    """Whether an Arrow type holds text."""
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def _of_kinds(column: Column, values: Sequence[Any], kinds: frozenset[type]) -> pa.Array | None:
    if kinds == {str}:
        if column.sort in (Sort.NUMBER, Sort.RATE):
            return None
        texts = pa.array(values, pa.string())
        return _times_of_texts(texts) if column.sort is Sort.TIME else _fit_words(column, texts.dictionary_encode())
    if column.sort is Sort.NUMBER and kinds == {int}:
        return _fit_numbers(column, pa.array(values, pa.uint64()))
    if column.sort is Sort.RATE and kinds <= NUMBERS:
        return _fit_rates(pa.array(values, pa.float64()))
    if column.sort is Sort.TIME and kinds <= NUMBERS:
        return _times_of_numbers(pa.array(values, pa.float64()))
    return None


def _of_type(column: Column, array: pa.Array) -> pa.Array | None:
    kind = array.type
    if is_text(kind):
        if column.sort in (Sort.NUMBER, Sort.RATE):
            return None
        texts = array.cast(pa.string())
        return _times_of_texts(texts) if column.sort is Sort.TIME else _fit_words(column, texts.dictionary_encode())
    if pa.types.is_timestamp(kind) and kind.tz is not None and column.sort is Sort.TIME:
        return _times_of_stamps(array)
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind)):
        return None
    if column.sort is Sort.NUMBER:
        return _fit_numbers(column, _whole(array))
    if column.sort is Sort.RATE:
        return _fit_rates(array.cast(pa.float64()))
    return _times_of_numbers(array.cast(pa.float64())) if column.sort is Sort.TIME else None


def _plain_dictionary(column: Column, array: pa.DictionaryArray) -> pa.Array | None:
    if column.sort in (Sort.NUMBER, Sort.RATE) or not is_text(array.type.value_type):
        return None
    if column.must and array.null_count:
        return None
    try:
        plain = pa.DictionaryArray.from_arrays(array.indices.cast(pa.int32()), array.dictionary.cast(pa.string()))
        return _fit_words(column, plain)
    except UNFIT:
        return None


def _whole(array: pa.Array) -> pa.Array | None:
    """Floats that are whole and exact, and integers, as uint64; ArrowInvalid or None where one is not."""
    if pa.types.is_floating(array.type):
        array = array.cast(pa.float64())
        if not pc.all(pc.less_equal(pc.abs(array), float(cell_values.MOST_EXACT))).as_py():
            return None
    return array.cast(pa.uint64())


def _numbers_of_texts(column: Column, texts: pa.Array) -> pa.Array | None:
    # The cast alone would also take hexadecimal.
    return _fit_numbers(column, texts.cast(pa.uint64())) if pc.all(pc.utf8_is_decimal(texts)).as_py() else None


def _fit_numbers(column: Column, numbers: pa.Array | None) -> pa.Array | None:
    if numbers is None or not len(numbers):
        return numbers
    span = pc.min_max(numbers).as_py()
    if span["min"] is None:
        return numbers
    if span["min"] < column.least or span["max"] > column.most:
        return None
    if column.choice and not pc.all(pc.is_in(numbers.drop_null(), pa.array(column.choice, pa.uint64()))).as_py():
        return None
    return numbers


def _fit_rates(rates: pa.Array) -> pa.Array | None:
    fit = pc.and_(pc.greater_equal(rates, 0.0), pc.less_equal(rates, float(cell_values.MOST_EXACT)))
    return rates if pc.all(fit).as_py() else None  # a NaN is neither


def _fit_words(column: Column, encoded: pa.DictionaryArray) -> pa.Array | None:
    words = listed(encoded.dictionary)
    if not words:
        return encoded
    if column.sort is Sort.NAME:
        return encoded if cell_values.are_names(words) and ("" not in words or not column.must) else None
    try:
        for word in words:
            cell_values.of_text(column, word)
    except Wrong:
        return None
    return encoded


def _times_of_texts(texts: pa.Array) -> pa.Array | None:
    if texts.null_count:
        return None
    distinct = texts.dictionary_encode()  # ports polled together share their time
    at_ms = times.of_texts(distinct.dictionary)
    return None if at_ms is None else pa.array(at_ms[distinct.indices.to_numpy()])


def _times_of_numbers(seconds: pa.Array) -> pa.Array | None:
    if seconds.null_count:
        return None
    at_ms = times.of_numbers(seconds.to_numpy(zero_copy_only=False))
    return None if at_ms is None else pa.array(at_ms)


def _times_of_stamps(stamps: pa.Array) -> pa.Array | None:
    per_second = PER_SECOND[stamps.type.unit]
    if stamps.null_count:
        return None
    told = stamps.cast(pa.int64()).to_numpy()
    if per_second == 1:
        if np.abs(told).max(initial=0) > times.LAST_MS:
            return None  # a thousand times as much would overflow
        told, per_second = told * 1000, 1000
    step = per_second // 1000
    at_ms = (told + step // 2) // step
    fit = np.all((at_ms >= 0) & (at_ms <= times.LAST_MS))
    return pa.array(at_ms) if fit else None
