"""Distinct facts of ports, each kept once; samples point to them."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
from sqlalchemy import Connection, select, text

from service.storage import tables
from service.storage.dialects import among, given
from service.storage.remembered import mark_written, may_remember, memory_of
from service.terms import Codes, Facts, FactsTable, Samples

NAMES = tuple(f.name for f in fields(Facts))
_ROW = np.dtype([(name, "<i8") for name in NAMES])


def ids(connection: Connection, table: FactsTable) -> Codes:
    """The id of each of the facts, those that were not there kept now; shape (n_facts,)."""
    rows = np.empty(len(table.speed_bps), dtype=_ROW)
    for name in NAMES:
        rows[name] = getattr(table, name)
    keys = _keys(rows)
    known = memory_of(connection).facts
    found = [known.get(key, 0) for key in keys]
    if not all(found):
        found = _asked_for(connection, rows, keys, known)
    return np.array(found, dtype=np.int32)


def table(connection: Connection, ids: Codes) -> FactsTable:
    """The facts of the given ids, in their order; an id that nothing has is a KeyError."""
    wanted = np.unique(ids)
    found = {
        row.id: row
        for row in connection.execute(select(tables.facts).where(among(connection, tables.facts.c.id, wanted.tolist())))
    }
    rows = [found[int(one)] for one in ids]
    return FactsTable.of([Facts(**{name: getattr(row, name) for name in NAMES}) for row in rows])


def pointed(connection: Connection, samples: Samples) -> tuple[Samples, FactsTable]:
    """Stored samples with their facts as positions in a table, and that table: most ports tell one of a few."""
    distinct, places = np.unique(samples.facts, return_inverse=True)
    return replace(samples, facts=places.astype(np.int32)), table(connection, distinct)


def _keys(rows: np.ndarray) -> list[bytes]:
    raw, width = rows.tobytes(), _ROW.itemsize
    return [raw[start : start + width] for start in range(0, len(raw), width)]


def _asked_for(connection: Connection, rows: np.ndarray, keys: list[bytes], known: dict[bytes, int]) -> list[int]:
    first = {key: row for row, key in enumerate(keys) if key not in known}
    # In one order whoever writes, or two writers of the same new facts would wait for each other.
    asked = np.sort(rows[list(first.values())], order=list(NAMES))
    stored = _stored(connection, asked)
    if may_remember(connection):
        known.update(stored)
    if len(stored) < len(asked):
        missing = asked[[key not in stored for key in _keys(asked)]]
        mark_written(connection)
        _keep(connection, missing)
        stored |= _stored(connection, missing)
    return [known.get(key) or stored[key] for key in keys]


def _stored(connection: Connection, rows: np.ndarray) -> dict[bytes, int]:
    source, told = given(connection, {name: rows[name].tolist() for name in NAMES})
    same = " AND ".join(f"facts.{name} = {_given(connection, name)}" for name in NAMES)
    query = f"SELECT facts.id, {', '.join('facts.' + name for name in NAMES)} FROM {source} JOIN facts ON {same}"  # noqa: S608  # columns' names only
    answer = connection.execute(text(query), told).all()
    found = np.array([tuple(row[1:]) for row in answer], dtype=_ROW)
    return dict(zip(_keys(found), (row[0] for row in answer), strict=True))


def _keep(connection: Connection, rows: np.ndarray) -> None:
    source, told = given(connection, {name: rows[name].tolist() for name in NAMES})
    values = ", ".join(_given(connection, name) for name in NAMES)
    statement = (
        f"INSERT INTO facts ({', '.join(NAMES)}) SELECT {values} FROM {source} WHERE true ON CONFLICT DO NOTHING"  # noqa: S608  # columns' names only
    )
    connection.execute(text(statement), told)


def _given(connection: Connection, name: str) -> str:
    """A given fact in the type of its column: PostgreSQL looks into an index only for that type."""
    kind = tables.facts.c[name].type.compile(connection.dialect)
    return (
        f"CAST(CAST(given.{name} AS integer) AS {kind})" if name == "half_duplex" else f"CAST(given.{name} AS {kind})"
    )
