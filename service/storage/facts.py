"""Distinct facts of ports, each kept once; samples point to them."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from sqlalchemy import Connection, select, tuple_

from service.storage import tables
from service.storage.dialects import among, inserting
from service.storage.remembered import mark_written, may_remember, memory_of
from service.terms import Codes, Facts, FactsTable

NAMES = tuple(f.name for f in fields(Facts))
_COLUMNS = tuple(tables.facts.c[name] for name in NAMES)
_ROW = np.dtype([(name, "<i8") for name in NAMES])
_AT_ONCE = 1000  # rows of ten parameters each: both databases take 32,766


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
        connection.execute(inserting(connection, tables.facts).on_conflict_do_nothing(), _as_dicts(missing))
        stored |= _stored(connection, missing)
    return [known.get(key) or stored[key] for key in keys]


def _stored(connection: Connection, rows: np.ndarray) -> dict[bytes, int]:
    stored: dict[bytes, int] = {}
    for start in range(0, len(rows), _AT_ONCE):
        some = [tuple(row.values()) for row in _as_dicts(rows[start : start + _AT_ONCE])]
        query = select(tables.facts.c.id, *_COLUMNS).where(tuple_(*_COLUMNS).in_(some))
        answer = connection.execute(query).all()
        found = np.array([tuple(row[1:]) for row in answer], dtype=_ROW)
        stored |= dict(zip(_keys(found), (row[0] for row in answer), strict=True))
    return stored


def _as_dicts(rows: np.ndarray) -> list[dict[str, int | bool]]:
    told = [dict(zip(NAMES, row, strict=True)) for row in rows.tolist()]
    for row in told:
        row["half_duplex"] = bool(row["half_duplex"])
    return told
