"""Samples of a day in a Parquet file: what they were, told once for each port, and the octets checked.

A row is a sample. Its columns are named as those of a counter file, so that any reader of Parquet can use
them; rows lie port after port in the order of time. What else is known of ports and of facts stands in the
file's own remarks, as JSON under the name `lopside`, with a digest of all values.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from service.errors import UnusableInput
from service.feeds.archive_columns import as_samples, as_table
from service.feeds.files import Named, opened
from service.terms import Facts, FactsTable, PortName, Samples

VERSION = 1
REMARKS = b"lopside"
REMEDY = "have it written again: remove it, and run `lopside archive`"
_FACTS = tuple(field.name for field in fields(Facts))
_NAMES = tuple(field.name for field in fields(PortName))


@dataclass(frozen=True)
class Seat:
    """A port with what was set of it when the day was written: 0 where nothing was, as in a Run."""

    name: PortName
    speed_bps: int = 0
    far_bps: int = 0
    role: int = 0


@dataclass(frozen=True)
class Head:
    """What a file says of itself: whose samples it holds, how many of each port, and of which time, both ends in."""

    seats: tuple[Seat, ...]
    rows: tuple[int, ...]
    facts: FactsTable
    first_ms: int
    last_ms: int
    digest: str


@dataclass(frozen=True)
class Day:
    """A file as it is written and read: samples by port and time, whose `port` points into the seats."""

    head: Head
    samples: Samples


def day_of(samples: Samples, facts: FactsTable, seats: tuple[Seat, ...], bounds_ms: tuple[int, int]) -> Day:
    """The samples of a day as they are written; of the facts only those that they point to."""
    used, places = np.unique(samples.facts, return_inverse=True)
    table = FactsTable(**{name: getattr(facts, name)[used] for name in _FACTS})
    order = np.lexsort((samples.at_ms, samples.port))
    held = _slim(samples.take(order), places.astype(np.int32)[order])
    rows = tuple(np.bincount(held.port, minlength=len(seats)).tolist())
    return Day(Head(seats, rows, table, *bounds_ms, digest_of(held, table, seats)), held)


def octets_of(day: Day) -> bytes:
    """A day as a file of its own holds it."""
    table = as_table(day.samples, [seat.name for seat in day.head.seats])
    counted = [name for name in table.schema.names if name not in ("device", "port", "facts")]
    out = pa.BufferOutputStream()
    pq.write_table(
        table.replace_schema_metadata({REMARKS: json.dumps(_remarks(day.head)).encode()}),
        out,
        compression="zstd",
        use_dictionary=["device", "port", "facts"],
        column_encoding=dict.fromkeys(counted, "DELTA_BINARY_PACKED"),  # counters grow little from row to row
        write_page_checksum=True,
    )
    return out.getvalue().to_pybytes()  # type: ignore[no-any-return]  # untyped library


def head(path: Named) -> Head:
    """What a file says of itself, without its samples; UnusableInput where it is no archive."""
    with _file(path) as file:
        return _head_of(file)


def read(path: Named) -> Day:
    """A whole file; UnusableInput where a page of it is not what was written."""
    with _file(path) as file:
        told = _head_of(file)
        names = [name for name in file.schema_arrow.names if name not in ("device", "port")]
        return Day(told, as_samples(file.read(columns=names), told.rows))


@contextmanager
def _file(path: Named) -> Iterator[pq.ParquetFile]:
    with opened(path) as (stream, _):
        try:
            with pq.ParquetFile(stream, page_checksum_verification=True) as file:
                yield file
        except KeyError as wrong:
            raise _unusable(path, "holds no remarks of an archive") from wrong
        except (pa.ArrowException, OSError, ValueError, TypeError) as wrong:
            raise _unusable(path, str(wrong).partition("\n")[0][:160]) from wrong


def _head_of(file: pq.ParquetFile) -> Head:
    return _head(json.loads((file.schema_arrow.metadata or {}).get(REMARKS, b"{}")))


def digest_of(samples: Samples, facts: FactsTable, seats: tuple[Seat, ...]) -> str:
    """What tells these values from any others."""
    whole = hashlib.blake2b(digest_size=16)
    for column in ("port", "at_ms", "facts", "known", "received_ms", "uptime_ticks", "discontinuity_ticks"):
        whole.update(np.ascontiguousarray(getattr(samples, column)).data)
    told = (samples.known[:, np.newaxis] >> np.array(samples.columns, dtype=np.uint16)) & 1
    whole.update(np.where(told == 1, samples.counters, np.uint64(0)).data)
    whole.update(json.dumps([samples.columns, _rows_of(facts), [_seat(seat, 0) for seat in seats]]).encode())
    return whole.hexdigest()


def _slim(samples: Samples, facts: np.ndarray[Any, np.dtype[np.int32]]) -> Samples:
    """Without the columns that no sample tells."""
    ever = int(np.bitwise_or.reduce(samples.known, initial=0))
    places = [place for place, column in enumerate(samples.columns) if ever >> column & 1]

    def told(values: np.ndarray[Any, np.dtype[np.int64]]) -> np.ndarray[Any, np.dtype[np.int64]]:
        return values if (values >= 0).any() else np.zeros(0, dtype=np.int64)

    return Samples(
        samples.port,
        samples.at_ms,
        facts,
        samples.known,
        np.ascontiguousarray(samples.counters[:, places]),
        told(samples.received_ms),
        told(samples.uptime_ticks),
        told(samples.discontinuity_ticks),
        tuple(samples.columns[place] for place in places),
    )


def _remarks(head: Head) -> dict[str, Any]:
    return {
        "version": VERSION,
        "first_ms": head.first_ms,
        "last_ms": head.last_ms,
        "digest": head.digest,
        "facts": _rows_of(head.facts),
        "ports": [_seat(seat, rows) for seat, rows in zip(head.seats, head.rows, strict=True)],
    }


def _seat(seat: Seat, rows: int) -> list[Any]:
    return [*(getattr(seat.name, name) for name in _NAMES), seat.speed_bps, seat.far_bps, seat.role, rows]


def _rows_of(facts: FactsTable) -> list[list[int]]:
    return [list(map(int, row)) for row in zip(*(getattr(facts, name).tolist() for name in _FACTS), strict=True)]


def _head(told: dict[str, Any]) -> Head:
    if told["version"] != VERSION:
        raise ValueError(f"version {told['version']}, this release reads {VERSION}")
    seats = tuple(Seat(PortName(*port[: len(_NAMES)]), *port[len(_NAMES) : -1]) for port in told["ports"])
    facts = FactsTable.of([Facts(*row) for row in told["facts"]])
    rows = tuple(int(port[-1]) for port in told["ports"])
    return Head(seats, rows, facts, told["first_ms"], told["last_ms"], told["digest"])


def _unusable(path: Named, why: str) -> UnusableInput:
    return UnusableInput(str(path), f"cannot be read as an archive: {why}", REMEDY)
