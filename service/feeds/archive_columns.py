"""Samples as columns of Arrow, named as those of a counter file, and back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from service.terms import COUNTERS, UNKNOWN, Codes, Ints, PortName, Samples, Truths

_STAMP = pa.timestamp("ms", "UTC")
_OPTIONAL = {"received_at": "received_ms", "uptime_ticks": "uptime_ticks", "discontinuity_ticks": "discontinuity_ticks"}


def as_table(samples: Samples, names: Sequence[PortName]) -> pa.Table:
    """The columns of samples; null where a sample does not tell."""
    columns: dict[str, pa.Array] = {
        "device": _words(samples.port, [name.device for name in names]),
        "port": _words(samples.port, [name.port for name in names]),
        "time": pa.array(samples.at_ms).cast(_STAMP),
        "facts": pa.array(samples.facts),
    }
    for name, field in _OPTIONAL.items():
        values = getattr(samples, field)
        if len(values):
            whole = pa.array(values, mask=values < 0)
            columns[name] = whole.cast(_STAMP) if name == "received_at" else whole
    for place, column in enumerate(samples.columns):
        told = (samples.known >> np.uint16(column)) & np.uint16(1) != 0
        columns[COUNTERS[column]] = pa.array(samples.counters[:, place], mask=None if told.all() else ~told)
    return pa.table(columns)


def as_samples(table: pa.Table, rows: Sequence[int]) -> Samples:
    """The samples that such columns hold, so many of each port; ValueError where they are not as many."""
    count = table.num_rows
    if sum(rows) != count:
        raise ValueError(f"{count} rows, and {sum(rows)} were written")
    present = [at for at, name in enumerate(COUNTERS) if name in table.schema.names]
    counters = np.empty((count, len(present)), dtype=np.uint64)
    known = np.zeros(count, dtype=np.uint16)
    for place, at in enumerate(present):
        counters[:, place], told = _values(table, COUNTERS[at], 0)
        known |= told.astype(np.uint16) << np.uint16(at)
    return Samples(
        port=np.repeat(np.arange(len(rows), dtype=np.int32), rows),
        at_ms=_values(table, "time", UNKNOWN)[0],
        facts=_values(table, "facts", UNKNOWN)[0],
        known=known,
        counters=counters,
        **{field: _values(table, name, UNKNOWN)[0] for name, field in _OPTIONAL.items()},
        columns=tuple(present),
    )


def _words(port: Codes, words: Sequence[str]) -> pa.Array:
    """A column of names, each kept once."""
    distinct = {word: place for place, word in enumerate(dict.fromkeys(words))}
    places = np.array([distinct[word] for word in words], dtype=np.int32)
    return pa.DictionaryArray.from_arrays(pa.array(places[port]), pa.array(list(distinct), pa.string()))


def _values(table: pa.Table, name: str, missing: int) -> tuple[npt.NDArray[Any], Truths]:
    """The values of a column and which rows tell it; none at all where there is no such column."""
    if name not in table.schema.names:
        nothing: Ints = np.zeros(0, dtype=np.int64)
        return nothing, np.zeros(0, dtype=np.bool_)
    column = table.column(name)
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.int64())
    told = np.ones(len(column), dtype=np.bool_)
    if column.null_count:
        # Filled first: with a null among them numpy would be handed floats, which forget octets above 2^53.
        told = pc.is_valid(column).to_numpy()
        column = pc.fill_null(column, pa.scalar(missing, column.type))
    return column.to_numpy(), told
