"""Keeping and finding samples, whole batches at a time.

A port has one sample an instant. The same sample again is a duplicate; another one for the same
instant is a conflict, and the first stays. Counters of 2**63 and above are kept as v - 2**64,
which is the same 64 bits read as a signed number.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import psycopg
from sqlalchemy import Connection

from service.storage import copying, partitions, tables
from service.storage.database import is_sqlite
from service.terms import COUNTERS, UNKNOWN, Codes, Ints, Samples, Truths

COLUMNS = {
    column.name: ">i8" if column.type.python_type is int and "BIGINT" in str(column.type) else ">i4"
    for column in tables.samples.columns
}
_NAMES = tuple(COLUMNS)
_FIRST_COUNTER = _NAMES.index(COUNTERS[0])
_VALUES = slice(_NAMES.index("facts_id"), None)  # what must be equal for two samples to be the same
_INSERT = f"INSERT INTO samples ({', '.join(_NAMES)}) VALUES ({', '.join('?' * len(_NAMES))}) ON CONFLICT DO NOTHING"  # noqa: S608  # names of columns only
_STAGED = "staged_samples"
# One array a column of the table, or one number where all rows have the same.
Column = npt.NDArray[np.integer[Any]] | int
Columns = Sequence[Column]
Keys = set[tuple[int, int]]


class Kept(NamedTuple):
    """What became of each sample of a batch; each is exactly one of the three, all shape (n,)."""

    accepted: Truths
    duplicate: Truths
    conflict: Truths


def keep(connection: Connection, samples: Samples, port_ids: Codes, facts_ids: Codes) -> Kept:
    """Keep samples of the given ports and facts, one id a row."""
    columns = _columns(samples, port_ids, facts_ids)
    chosen = _once_in_order(port_ids, samples.at_ms)
    accepted = np.zeros(len(samples), dtype=bool)
    accepted[chosen] = _insert(connection, [_rows_of(column, chosen) for column in columns])
    same = np.zeros(len(samples), dtype=bool)
    if not accepted.all():
        rest = np.flatnonzero(~accepted)
        same[rest] = _is_stored(connection, _table([_rows_of(column, rest) for column in columns], len(rest)))
    return Kept(accepted, same, ~accepted & ~same)


def between(connection: Connection, port_ids: Codes, from_ms: int, to_ms: int) -> Samples:
    """Samples of ports from an instant up to, not including, another.

    Ordered by port, then time; `port` is the position in `port_ids`, `facts` the id of the facts.
    """
    if is_sqlite(connection):
        query = (
            "SELECT s.* FROM json_each(?) p CROSS JOIN samples s"
            " ON s.port_id = p.value AND s.at_ms >= ? AND s.at_ms < ?"
        )
        found = _fetched(connection, query, (str(port_ids.tolist()), from_ms, to_ms))
    else:
        query = f"SELECT {', '.join(_NAMES)} FROM samples WHERE port_id = ANY(%s::int[]) AND at_ms >= %s AND at_ms < %s"  # noqa: S608  # names of columns only
        found = _copied(connection, query, (port_ids.tolist(), from_ms, to_ms))
    return _samples(found, port_ids)


def last_before(
    connection: Connection, port_ids: Codes, at_ms: int | Ints, *, not_before_ms: int = -(2**62)
) -> Samples:
    """The last sample of each port before an instant, one for all ports or one each; ports without are left out.

    Looks no further back than `not_before_ms`, so that a port silent for weeks costs little.
    """
    before = np.broadcast_to(np.asarray(at_ms, dtype=np.int64), port_ids.shape)
    if is_sqlite(connection):
        pairs = str(np.column_stack((port_ids.astype(np.int64), before)).tolist())
        query = (
            "WITH p AS (SELECT json_extract(value, '$[0]') AS id, json_extract(value, '$[1]') AS before"
            " FROM json_each(?))"
            " SELECT s.* FROM p CROSS JOIN samples s ON s.port_id = p.id AND s.at_ms ="
            " (SELECT max(at_ms) FROM samples WHERE port_id = p.id AND at_ms < p.before AND at_ms >= ?)"
        )
        return _samples(_fetched(connection, query, (pairs, not_before_ms)), port_ids)
    query = (
        f"SELECT {', '.join('s.' + name for name in _NAMES)}"  # noqa: S608  # names of columns only
        " FROM unnest(%s::int[], %s::bigint[]) AS p (id, before) CROSS JOIN LATERAL"
        " (SELECT * FROM samples WHERE port_id = p.id AND at_ms < p.before AND at_ms >= %s"
        " ORDER BY at_ms DESC LIMIT 1) s"
    )
    return _samples(_copied(connection, query, (port_ids.tolist(), before.tolist(), not_before_ms)), port_ids)


def _columns(samples: Samples, port_ids: Codes, facts_ids: Codes) -> Columns:
    """The columns of the samples, as they are stored; a counter that was not told is stored as 0."""
    counters: dict[int, Column] = dict.fromkeys(range(len(COUNTERS)), 0)
    for position, column in enumerate(samples.columns):
        told = (samples.known >> np.uint16(column)) & np.uint16(1) != 0
        values = samples.counters[:, position]
        counters[column] = (values if told.all() else np.where(told, values, np.uint64(0))).view(np.int64)
    return [
        port_ids,
        samples.at_ms,
        # Only what a collector told: our own time says how late a backlog comes, no fault of the source's clock.
        _or_unknown(samples.received_ms),
        facts_ids,
        _or_unknown(samples.uptime_ticks),
        _or_unknown(samples.discontinuity_ticks),
        samples.known,
        *counters.values(),
    ]


def _or_unknown(values: Ints) -> Column:
    return values if len(values) else UNKNOWN


def _once_in_order(port_ids: Codes, at_ms: Ints) -> Ints | slice:
    """The rows in the order of their keys, of rows of the same key the first.

    Every writer keeps that order, so that none waits for one that waits for it.
    """
    is_next = (port_ids[1:] > port_ids[:-1]) | ((port_ids[1:] == port_ids[:-1]) & (at_ms[1:] > at_ms[:-1]))
    if is_next.all():
        return slice(None)
    order = np.lexsort((at_ms, port_ids))
    first = np.ones(len(order), dtype=bool)
    first[1:] = (np.diff(port_ids[order]) != 0) | (np.diff(at_ms[order]) != 0)
    return order[first]


def _rows_of(column: Column, rows: Ints | slice) -> Column:
    return column if isinstance(column, int) else column[rows]


def _table(columns: Columns, count: int) -> Ints:
    """The same as one array, a row a sample, shape (count, columns)."""
    rows = np.empty((count, len(_NAMES)), dtype=np.int64)
    for position, column in enumerate(columns):
        rows[:, position] = column
    return rows


def _samples(rows: Ints, port_ids: Codes) -> Samples:
    by_id = np.argsort(port_ids, kind="stable")
    port = by_id[np.searchsorted(port_ids[by_id], rows[:, 0])].astype(np.int32)
    order = np.lexsort((rows[:, 1], port))
    rows = rows[order]
    return Samples(
        port=port[order],
        at_ms=rows[:, 1].copy(),
        facts=rows[:, 3].astype(np.int32),
        known=rows[:, 6].astype(np.uint16),
        counters=np.ascontiguousarray(rows[:, _FIRST_COUNTER:]).view(np.uint64),
        received_ms=rows[:, 2].copy(),
        uptime_ticks=rows[:, 4].copy(),
        discontinuity_ticks=rows[:, 5].copy(),
    )


def _insert(connection: Connection, columns: Columns) -> Truths:
    """Insert rows of distinct keys, in order; which of them were not there yet."""
    ports, instants = np.asarray(columns[0]), np.asarray(columns[1])
    if not len(ports):
        return np.zeros(0, dtype=bool)
    insert = _insert_sqlite if is_sqlite(connection) else _insert_postgresql
    keys = insert(connection, columns)
    if keys is None:
        return np.ones(len(ports), dtype=bool)
    return np.array([key in keys for key in zip(ports.tolist(), instants.tolist(), strict=True)], dtype=bool)


def _insert_sqlite(connection: Connection, columns: Columns) -> Keys | None:
    """The keys of what was inserted; None where that is all."""
    # Row numbers grow, and nobody else writes meanwhile: what lies above this one is what was inserted here.
    before = connection.exec_driver_sql("SELECT coalesce(max(rowid), 0) FROM samples").scalar_one()
    writing = connection.execution_options(preserve_rowcount=True)
    rows = list(zip(*(repeat(column) if isinstance(column, int) else column.tolist() for column in columns)))  # noqa: B905  # repeat() has no end
    if writing.exec_driver_sql(_INSERT, rows).rowcount == len(rows):
        return None
    found = connection.exec_driver_sql("SELECT port_id, at_ms FROM samples WHERE rowid > ?", (before,))
    return {(port_id, at_ms) for port_id, at_ms in found}


def _insert_postgresql(connection: Connection, columns: Columns) -> Keys | None:
    """The keys of what was inserted; None where that is all."""
    copied = copying.filled_rows(COLUMNS, columns, len(np.asarray(columns[0])))
    try:
        # Nearly every batch is all new and of a day that is known: copied straight in, it costs half.
        with connection.begin_nested():
            copying.write(connection, "samples", COLUMNS, copied)
    except (psycopg.errors.UniqueViolation, psycopg.errors.CheckViolation):  # some are known, or a partition is missing
        partitions.ensure(connection, "samples", np.asarray(columns[1]))
        return _insert_staged(connection, copied)
    return None


def _insert_staged(connection: Connection, copied: copying.Rows) -> Keys:
    """Insert those that are not there yet; their keys."""
    connection.exec_driver_sql(f"CREATE TEMP TABLE IF NOT EXISTS {_STAGED} (LIKE samples) ON COMMIT DELETE ROWS")
    connection.exec_driver_sql(f"TRUNCATE {_STAGED}")
    copying.write(connection, _STAGED, COLUMNS, copied)
    done = connection.exec_driver_sql(
        f"INSERT INTO samples SELECT * FROM {_STAGED} ORDER BY port_id, at_ms"  # noqa: S608  # a constant
        " ON CONFLICT DO NOTHING RETURNING port_id, at_ms"
    )
    return {(port_id, at_ms) for port_id, at_ms in done}


def _is_stored(connection: Connection, rows: Ints) -> Truths:
    """Whether each row is stored exactly so, but for when it was received."""
    keys = rows[:, :2].tolist()
    if is_sqlite(connection):
        query = (
            "WITH k AS (SELECT DISTINCT json_extract(value, '$[0]') AS id, json_extract(value, '$[1]') AS at"
            " FROM json_each(?))"
            " SELECT s.* FROM k CROSS JOIN samples s ON s.port_id = k.id AND s.at_ms = k.at"
        )
        stored = _fetched(connection, query, (str(keys),))
    else:
        query = (
            f"SELECT {', '.join('s.' + name for name in _NAMES)}"  # noqa: S608  # names of columns only
            " FROM (SELECT DISTINCT * FROM unnest(%s::int[], %s::bigint[]) AS k (id, at)) k"
            " JOIN samples s ON s.port_id = k.id AND s.at_ms = k.at"
        )
        stored = _copied(connection, query, (rows[:, 0].tolist(), rows[:, 1].tolist()))
    values = {(row[0], row[1]): row[_VALUES] for row in stored.tolist()}
    return np.array([values.get((row[0], row[1])) == row[_VALUES] for row in rows.tolist()], dtype=bool)


def _fetched(connection: Connection, query: str, parameters: tuple[Any, ...]) -> Ints:
    # The driver's own rows are tuples already; made into rows with names they would take half as long again.
    with connection.exec_driver_sql(query, parameters) as result:
        found = result.cursor.fetchall() if result.cursor is not None else []
    return np.array(found, dtype=np.int64).reshape(-1, len(_NAMES))


def _copied(connection: Connection, query: str, parameters: tuple[Any, ...]) -> Ints:
    found = copying.read(connection, query, parameters, COLUMNS)
    rows = np.empty((len(found), len(_NAMES)), dtype=np.int64)
    for position, name in enumerate(_NAMES):
        rows[:, position] = found[name]
    return rows
