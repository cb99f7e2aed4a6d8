"""Partitions by time on PostgreSQL: made ahead and on demand, dropped whole. SQLite has none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import psycopg
from sqlalchemy import Connection, text
from sqlalchemy.exc import DBAPIError

from service.storage.database import is_sqlite
from service.storage.dialects import serialise
from service.terms import Ints

PARTITION_LOCK = 6_207_114_513
# What is partitioned, and by which numpy unit of time.
UNITS = {"samples": "D", "windows": "D", "rollups": "M"}


@dataclass(frozen=True)
class Partition:
    """One partition of a table, and the instants it holds: from `start_ms` up to, not including, `end_ms`."""

    table: str
    name: str
    start_ms: int
    end_ms: int


def covering(table: str, at_ms: Ints) -> list[Partition]:
    """The partitions that hold these instants, in order of time."""
    days = np.unique(np.floor_divide(at_ms, 86_400_000))  # a month begins with a day
    return [_partition(table, period) for period in np.unique(days.astype("M8[D]").astype(f"M8[{UNITS[table]}]"))]


def existing(connection: Connection, table: str) -> list[Partition]:
    """The partitions a table has, in order of time."""
    names = connection.execute(
        text(
            "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
            " WHERE i.inhparent = CAST(:table AS regclass) ORDER BY c.relname"
        ),
        {"table": table},
    )
    return [_partition(table, np.datetime64(_period(name))) for (name,) in names]


def ensure(connection: Connection, table: str, at_ms: Ints) -> None:
    """Make the partitions that rows of these instants need."""
    if is_sqlite(connection) or not len(at_ms):
        return
    wanted = covering(table, at_ms)
    if _missing(connection, wanted):
        serialise(connection, PARTITION_LOCK)
        # Another transaction may have made them while this one waited.
        for partition in _missing(connection, wanted):
            _make(connection, partition)


def drop_before(connection: Connection, table: str, before_ms: int) -> list[str]:
    """Drop the partitions that hold nothing from then on; one that is in use is left for the next time."""
    over = [one for one in existing(connection, table) if one.end_ms <= before_ms]
    return [one.name for one in over if _drop(connection, one)]


def _partition(table: str, period: np.datetime64) -> Partition:
    start, end = (int(p.astype("M8[ms]").astype(np.int64)) for p in (period, period + 1))
    return Partition(table, f"{table}_{str(period).replace('-', '')}", start, end)


def _period(name: str) -> str:
    digits = name.rpartition("_")[2]
    parts = (digits[:-4], digits[-4:-2], digits[-2:]) if len(digits) > 6 else (digits[:-2], digits[-2:])
    return "-".join(parts)


def _missing(connection: Connection, wanted: list[Partition]) -> list[Partition]:
    # A look into the catalogue as a table sees what others have committed; to_regclass() may answer from a cache.
    query = text(
        "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
        " WHERE i.inhparent = CAST(:table AS regclass) AND c.relname = ANY(:names)"
    )
    told = {"table": wanted[0].table, "names": [one.name for one in wanted]}
    there = set(connection.scalars(query, told))
    return [one for one in wanted if one.name not in there]


def _make(connection: Connection, partition: Partition) -> None:
    # CREATE ... PARTITION OF would lock the whole table against everybody; attaching a ready table does not.
    connection.exec_driver_sql(
        f"CREATE TABLE {partition.name} (LIKE {partition.table} INCLUDING DEFAULTS INCLUDING INDEXES)"
    )
    connection.exec_driver_sql(
        f"ALTER TABLE {partition.table} ATTACH PARTITION {partition.name}"
        f" FOR VALUES FROM ({partition.start_ms}) TO ({partition.end_ms})"
    )


def _drop(connection: Connection, partition: Partition) -> bool:
    try:
        with connection.begin_nested():
            # Dropping waits for readers of the whole table and everybody then waits behind it: not for long.
            connection.exec_driver_sql("SET LOCAL lock_timeout = '2s'")
            connection.exec_driver_sql(f"DROP TABLE {partition.name}")
            connection.exec_driver_sql("SET LOCAL lock_timeout TO DEFAULT")
    except DBAPIError as failure:
        if isinstance(failure.orig, psycopg.errors.LockNotAvailable):
            return False
        raise
    return True
