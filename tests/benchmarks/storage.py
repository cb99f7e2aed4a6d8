"""Keeping samples durably, as a ratio to what the database does bare in the same run.

Bare is: the same rows, ready as the driver wants them, into a table of the same columns and key, in
transactions of the same size that reach the disk. Run by tests/benchmarks/run.py, or by itself.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import postgres
from examples import EPOCH_MS
from sqlalchemy import Engine

from service.storage import copying, database, samples
from service.terms import COUNTERS, Samples

PORTS, ROUNDS = 10_000, 24


def batch(round_number: int) -> Samples:
    """One sample of each port, counters of the size that they have in the field."""
    draw = np.random.default_rng(round_number)
    return Samples(
        port=np.arange(PORTS, dtype=np.int32),
        at_ms=np.full(PORTS, EPOCH_MS + 30_000 * round_number, dtype=np.int64),
        facts=np.zeros(PORTS, dtype=np.int32),
        known=np.full(PORTS, (1 << len(COUNTERS)) - 1, dtype=np.uint16),
        counters=draw.integers(0, 2**63, (PORTS, len(COUNTERS)), dtype=np.uint64),
        received_ms=np.full(PORTS, EPOCH_MS, dtype=np.int64),
        uptime_ticks=np.full(PORTS, 12, dtype=np.int64),
        discontinuity_ticks=np.zeros(PORTS, dtype=np.int64),
    )


def seconds(work: Callable[[], object]) -> float:
    """How long the work takes."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def kept(engine: Engine, told: Samples) -> None:
    """Keep a batch as the service does."""
    with engine.begin() as connection:
        done = samples.keep(connection, told, told.port + 1, told.facts + 1)
    assert done.accepted.all()


def bare_postgresql(engine: Engine, told: Samples) -> Callable[[], None]:
    """Binary COPY of ready rows into the keyed table `bare`."""
    rows = copying.filled_rows(samples.COLUMNS, samples._columns(told, told.port + 1, told.facts + 1), len(told))
    ready = copying.HEADER + rows.tobytes() + copying.TRAILER

    def work() -> None:
        with (
            engine.begin() as connection,
            copying.cursor(connection) as cursor,
            cursor.copy("COPY bare FROM STDIN (FORMAT BINARY)") as copy,
        ):
            copy.write(ready)

    return work


def bare_sqlite(engine: Engine, told: Samples) -> Callable[[], None]:
    """One executemany of ready tuples into the keyed table `bare`."""
    ready = list(map(tuple, samples._table(samples._columns(told, told.port + 1, told.facts + 1), len(told)).tolist()))
    statement = f"INSERT INTO bare VALUES ({', '.join('?' * len(ready[0]))})"

    def work() -> None:
        with engine.begin() as connection:
            connection.connection.driver_connection.executemany(statement, ready)

    return work


def compare(engine: Engine, bare: Callable[[Engine, Samples], Callable[[], None]]) -> str:
    """Both ways, turn by turn, over the same batches."""
    database.upgrade(engine)
    columns = ", ".join(
        f"{name} {'bigint' if kind == '>i8' else 'integer'} NOT NULL" for name, kind in samples.COLUMNS.items()
    )
    with engine.begin() as connection:
        connection.exec_driver_sql(f"CREATE TABLE bare ({columns}, PRIMARY KEY (port_id, at_ms))")
    times: dict[str, list[float]] = {"bare": [], "kept": [], "again": []}
    for number in range(ROUNDS):
        told = batch(number)
        times["bare"].append(seconds(bare(engine, told)))
        times["kept"].append(seconds(lambda told=told: kept(engine, told)))
    with engine.begin() as connection:
        times["again"].append(seconds(lambda: samples.keep(connection, told, told.port + 1, told.facts + 1)))
    bare_s, kept_s, again_s = (statistics.median(times[name]) for name in ("bare", "kept", "again"))
    return (
        f"bare {PORTS / bare_s:9,.0f} rows/s, kept {PORTS / kept_s:9,.0f} rows/s: {bare_s / kept_s:.2f} of bare"
        f" (goal 0.40); the same batch again {again_s * 1000:.0f} ms"
    )


def main() -> None:
    """Print both ratios."""
    with tempfile.TemporaryDirectory() as folder:
        engine = database.open(f"sqlite:///{Path(folder) / 'bench.sqlite'}")
        print("sqlite     ", compare(engine, bare_sqlite), flush=True)
        engine.dispose()
    with postgres.server(durable=True) as url:
        engine = database.open(url)
        print("postgresql ", compare(engine, bare_postgresql), flush=True)
        engine.dispose()


if __name__ == "__main__":
    main()
