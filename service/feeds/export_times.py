"""Times as exports write them: in a format of their own, or as anybody should write them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa

from service.feeds import cells, times
from service.feeds.columns import Column, Sort
from service.feeds.mapping import Mapping
from service.feeds.told import Told, indices, listed


def take(told: Told, mapping: Mapping, texts: pa.Array) -> None:
    """Read the column of times as the end of each row's interval; what is no instant is refused with its row."""
    told.zone = times.zone_named(mapping.zone or None)
    if mapping.time_format:
        _formatted(told, mapping, texts)
    else:
        cells.take_texts(told, Column(mapping.time_column, Sort.TIME, must=True), texts)
    if mapping.stamped == "start":
        column = told.columns[mapping.time_column]
        at_ms = column.fill_null(0).to_numpy(zero_copy_only=False) + mapping.interval_ms
        told.columns[mapping.time_column] = pa.array(at_ms, mask=_nulls(column))


def _nulls(column: pa.Array) -> np.ndarray:
    return column.is_null().to_numpy(zero_copy_only=False)  # type: ignore[no-any-return]  # untyped library


def _formatted(told: Told, mapping: Mapping, texts: pa.Array) -> None:
    """Each distinct text once: ports share their times in the long form."""
    distinct = texts.dictionary_encode()
    read: list[int | None] = []
    wrong: dict[int, str] = {}
    for at, text in enumerate(listed(distinct.dictionary)):
        try:
            read.append(_instant(text, mapping.time_format, told))
        except times.NoInstant as no:
            read.append(None)
            wrong[at] = str(no)
    places = indices(distinct)
    for row in np.flatnonzero(np.isin(places, [-1, *wrong])).tolist():
        at = int(places[row])
        reason = wrong.get(at, "is missing; every row has its time")
        told.refuse(row, reason, mapping.time_column, listed(distinct.dictionary)[at] if at >= 0 else "")
    column = pa.array([*read, None], pa.int64())
    told.columns[mapping.time_column] = column.take(pa.array(np.where(places < 0, len(read), places)))


def _instant(text: str, time_format: str, told: Told) -> int:
    try:
        at = datetime.strptime(text, time_format)  # noqa: DTZ007  # its zone comes next
    except ValueError as wrong:
        raise times.NoInstant(f"is not written as time_format {time_format} says") from wrong
    try:
        placed = (times.local(at, told.zone) if at.tzinfo is None else at).astimezone(UTC)
    except OverflowError as outside:
        raise times.NoInstant("lies outside the years 1 to 9999") from outside
    at_ms = (placed - times.EPOCH) // timedelta(milliseconds=1)
    if at_ms < 0:
        raise times.NoInstant("lies before 1970; mend the time, or time_format")
    return at_ms
