"""Where SQLite and PostgreSQL say the same thing in different words."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import (
    ARRAY,
    BigInteger,
    ColumnElement,
    Connection,
    Integer,
    String,
    Table,
    Text,
    any_,
    bindparam,
    collate,
    func,
    literal,
    select,
    text,
)
from sqlalchemy.dialects import postgresql, sqlite

from service.storage.database import is_sqlite


def inserting(connection: Connection, table: Table) -> postgresql.Insert:
    """An INSERT that knows ON CONFLICT; both dialects share its form."""
    made: Any = sqlite.insert(table) if is_sqlite(connection) else postgresql.insert(table)
    insert: postgresql.Insert = made
    return insert


def was_inserted(connection: Connection, statement: postgresql.Insert) -> bool:
    """Run an INSERT of one row that does nothing where the row is there already; whether it was new."""
    # A count of rows is kept for UPDATE and DELETE only.
    return connection.execute(statement.on_conflict_do_nothing().returning(literal(1))).first() is not None


def among(connection: Connection, column: ColumnElement[Any], values: Iterable[Any]) -> ColumnElement[bool]:
    """Whether a column is one of the values, sent as one parameter however many they are."""
    listed = list(values)
    if is_sqlite(connection):
        each = func.json_each(literal(json.dumps(listed), Text)).table_valued("value")
        return column.in_(select(each.c.value))
    words = isinstance(column.type, String)
    kind: Any = Text if words else BigInteger if isinstance(column.type, BigInteger) else Integer
    return column == any_(bindparam(None, listed, ARRAY(kind)))


def by_letters(connection: Connection, column: ColumnElement[str]) -> ColumnElement[str]:
    """A column ordered by the code points of its letters, as Python orders text, whatever a database's own order is."""
    return column if is_sqlite(connection) else collate(column, "C")


def shared_ms(connection: Connection, own_ms: int) -> int:
    """The time by the one clock that all processes on a database share: PostgreSQL's own, or that of their machine."""
    if is_sqlite(connection):
        return own_ms
    told = connection.scalar(text("SELECT (extract(epoch FROM clock_timestamp()) * 1000)::bigint"))
    return int(told) if told is not None else own_ms


def given(connection: Connection, columns: Mapping[str, Sequence[Any]]) -> tuple[str, dict[str, Any]]:
    """Rows to be used like a table of the name `given`: the text that stands in FROM, and its parameters."""
    if is_sqlite(connection):
        parts = ", ".join(f"json_extract(value, '$[{place}]') AS {name}" for place, name in enumerate(columns))
        rows = json.dumps(list(zip(*columns.values(), strict=True)))
        return f"(SELECT {parts} FROM json_each(:given)) AS given", {"given": rows}  # noqa: S608  # columns' names only
    kinds = {name: "text" if values and isinstance(values[0], str) else "bigint" for name, values in columns.items()}
    arrays = ", ".join(f"CAST(:given_{name} AS {kind}[])" for name, kind in kinds.items())
    told = {f"given_{name}": _as_array(values, kinds[name]) for name, values in columns.items()}
    return f"unnest({arrays}) AS given ({', '.join(columns)})", told


def _as_array(values: Sequence[Any], kind: str) -> Any:
    """An array of numbers as the text that PostgreSQL reads: the driver's own way writes them one by one."""
    return "{" + ",".join(map(str, values)) + "}" if kind == "bigint" and None not in values else list(values)


def serialise(connection: Connection, lock: int) -> None:
    """Let one transaction at a time past here; SQLite's writers already go one by one."""
    if not is_sqlite(connection):
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": lock})
