"""A batch of samples as an Arrow IPC stream, its columns named like those of a counter file."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from service.errors import TooLarge, UnusableInput
from service.feeds import arrow_sizes, assembly, cells, columns, json_text, plain
from service.feeds.columns import Sort
from service.feeds.limits import IngestLimits
from service.feeds.told import Told
from service.terms import Parsed

REMEDY = "send an Arrow IPC stream of flat columns"


def parse(body: bytes, limits: IngestLimits) -> Parsed:
    """The samples of a batch, their index counted from 0."""
    _refuse_large(body, limits)
    table = _table(body)
    _refuse_unusable(table.schema)
    told = Told(np.arange(table.num_rows, dtype=np.int64))
    for name in table.schema.names:
        if not columns.own(name):
            cells.take_typed(told, columns.COLUMNS[name], _whole(table.column(name)))
    return assembly.parsed(told)


def _refuse_large(body: bytes, limits: IngestLimits) -> None:
    try:
        rows, octets = arrow_sizes.unpacked(body)
    except arrow_sizes.NotAStream as wrong:
        raise UnusableInput("body", f"is no Arrow stream: {wrong}", REMEDY) from wrong
    json_text.within(rows, limits.max_samples)
    if octets > limits.max_octets:
        raise TooLarge("body", f"unpacks to more than {limits.max_octets} octets", "send smaller batches")


def _table(body: bytes) -> pa.Table:
    try:
        with pa.ipc.open_stream(pa.py_buffer(body)) as stream:
            _refuse_unusable(stream.schema)
            table = stream.read_all()
        table.validate(full=True)
    except (pa.ArrowException, OSError, ValueError) as wrong:
        what = str(wrong).splitlines()[0][:200] if str(wrong) else "unreadable"
        raise UnusableInput("body", f"is no Arrow stream: {what}", REMEDY) from wrong
    return table


def _refuse_unusable(schema: pa.Schema) -> None:
    if wrong := columns.unusable(schema.names, mixing=True):
        what, _, remedy = wrong.partition("; ")
        raise UnusableInput("body", what, remedy)
    for field in schema:
        if not columns.own(field.name) and (why := _unfit(columns.COLUMNS[field.name].sort, field.type)):
            raise UnusableInput("body", f"column {field.name!r} is of type {field.type}", why)


def _unfit(sort: Sort, kind: pa.DataType) -> str:
    """What type a column should have where it has one that cannot be read; empty where it can."""
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    if pa.types.is_null(kind):
        return ""
    text = plain.is_text(kind)
    number = pa.types.is_integer(kind) or pa.types.is_floating(kind)
    if sort is Sort.TIME:
        stamp = pa.types.is_timestamp(kind) and kind.tz is not None
        return "" if text or number or stamp else "send a timestamp with the zone UTC, seconds, or RFC 3339 text"
    if sort in (Sort.NUMBER, Sort.RATE):
        return "" if number else "cast it to uint64"
    return "" if text else "cast it to string"


def _whole(column: pa.ChunkedArray) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.unify_dictionaries()
    whole = column.combine_chunks()
    return whole.cast(pa.string()) if pa.types.is_null(whole.type) else whole
