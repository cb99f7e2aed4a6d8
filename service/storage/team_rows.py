"""What windows and roll-ups share: rows of one team and one instant, with its members' figures packed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection

from service.storage import copying, figures, partitions
from service.storage.database import is_sqlite
from service.storage.inventory import Placed
from service.terms import UNKNOWN, Codes, Span, Truths

Columns = Mapping[str, npt.NDArray[Any]]
_KINDS = {"team_id": ">i4", "start_ms": ">i8", "width_ms": ">i4", "kind_egress": ">i2", "kind_ingress": ">i2"}


@dataclass(frozen=True)
class Group:
    """Rows of teams of one size: positions of team and window (n,), and columns by name, each (n,)."""

    team: npt.NDArray[np.intp]
    window: npt.NDArray[np.intp]
    columns: dict[str, npt.NDArray[Any]]


@dataclass(frozen=True)
class Found:
    """Figures found, by port and slot: `arrays` (n_ports, n_slots[, 2]), `there` (n_teams, n_slots)."""

    port_ids: Codes
    arrays: dict[str, npt.NDArray[Any]]
    team: npt.NDArray[np.intp]  # of each row, its position among the teams
    slot: npt.NDArray[np.intp]  # of each row, its position in the span


def grouped(placed: Placed, span: Span, form: figures.Form, arrays: figures.Arrays, wanted: Truths) -> Iterator[Group]:
    """The rows of the wanted teams and slots (n_teams, n_slots), a group for each size of team."""
    sizes = (placed.layout.members != UNKNOWN).sum(axis=1)
    starts = span.starts()
    for size in np.unique(sizes[wanted.any(axis=1)]):
        team, window = np.nonzero(wanted & (sizes == size)[:, np.newaxis])
        ports = placed.layout.members[team, :size].astype(np.intp)
        columns: dict[str, npt.NDArray[Any]] = {
            "team_id": placed.team_ids[team],
            "start_ms": starts[window],
            "members": _octets(placed.port_ids[ports].astype("<i4")),
            "figures": _octets(figures.packed(form, arrays, ports, window)),
        }
        yield Group(team, window, columns)


def upsert(connection: Connection, table: str, groups: Iterable[Group], statement: str) -> Sequence[Any]:
    """Stage the groups' rows in `staged_<table>`, run the statement that takes them from there; what it returns."""
    staged = f"staged_{table}"
    made = f"CREATE TEMP TABLE IF NOT EXISTS {staged} AS SELECT * FROM {table} WHERE 1 = 0"  # noqa: S608  # from here
    emptied = f"DELETE FROM {staged}" if is_sqlite(connection) else f"TRUNCATE {staged}"  # noqa: S608  # the same
    connection.exec_driver_sql(made)
    connection.exec_driver_sql(emptied)
    for group in groups:
        partitions.ensure(connection, table, group.columns["start_ms"])
        _stage(connection, staged, group.columns)
    return connection.exec_driver_sql(statement).fetchall()


def scattered(form: figures.Form, rows: Sequence[Any], team_ids: Codes, span: Span) -> Found:
    """Figures of rows that have team_id, start_ms, members and figures, by port and slot; unknown where no row is."""
    team = _positions(np.array([row.team_id for row in rows], dtype=np.int32), team_ids)
    starts = np.array([row.start_ms for row in rows], dtype=np.int64)
    slot = ((starts - span.first_ms) // span.width_ms).astype(np.intp)
    members = [np.frombuffer(row.members, dtype="<i4") for row in rows]
    port_ids = np.unique(np.concatenate(members)) if rows else np.empty(0, dtype=np.int32)
    arrays = form.blanks(len(port_ids), span.count)
    sizes = np.array([len(row) for row in members], dtype=np.intp)
    for size in np.unique(sizes):
        at = np.flatnonzero(sizes == size)
        ports = np.searchsorted(port_ids, np.stack([members[k] for k in at.tolist()]))
        values = figures.unpacked(form, [bytes(rows[k].figures) for k in at.tolist()])
        for name in form.fields:
            arrays[name][ports, slot[at, np.newaxis]] = values[name]
    return Found(port_ids.astype(np.int32), arrays, team, slot)


def slots(from_ms: int, to_ms: int, width_ms: int) -> Span:
    """The whole slots, aligned to the epoch, that begin within [from_ms, to_ms)."""
    first = -(-from_ms // width_ms) * width_ms
    return Span(first, max(0, -(-(to_ms - first) // width_ms)), width_ms)


def _positions(values: Codes, among: Codes) -> npt.NDArray[np.intp]:
    order = np.argsort(among, kind="stable")
    return order[np.searchsorted(among[order], values)]


def _octets(rows: npt.NDArray[Any]) -> npt.NDArray[np.void]:
    """The octets of each row as one value, shape (n,)."""
    width = rows.dtype.itemsize * int(np.prod(rows.shape[1:], dtype=int))
    return np.ascontiguousarray(rows).view(np.uint8).reshape(len(rows), width).view(f"V{width}").reshape(len(rows))


def _stage(connection: Connection, staged: str, columns: Columns) -> None:
    if is_sqlite(connection):
        listed = [figures.octets_of(c) if c.dtype.kind == "V" else c.tolist() for c in columns.values()]
        marks = ", ".join("?" * len(columns))
        statement = f"INSERT INTO {staged} ({', '.join(columns)}) VALUES ({marks})"  # noqa: S608  # names from here
        connection.exec_driver_sql(statement, list(zip(*listed, strict=True)))
        return
    kinds = {name: _KINDS.get(name, values.dtype.str) for name, values in columns.items()}
    rows = copying.empty_rows(kinds, len(columns["team_id"]))
    for name, values in columns.items():
        rows[name] = values
    copying.write(connection, staged, kinds, rows)
