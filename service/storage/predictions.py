"""What was foretold before changes: rows are added, never edited and never removed."""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection, Select, and_, insert, or_, select

from service.errors import NotFound
from service.storage import cursors, tables
from service.storage.dialects import among
from service.terms import DIRECTIONS, Prediction, Verdict

_table, _lines = tables.predictions, tables.change_teams
_COLUMNS = (
    "id",
    "team_id",
    "direction",
    "option",
    "success",
    "made_ms",
    "made_by",
    "seed",
    "text",
    "inputs",
    "finding_id",
)


class Came(NamedTuple):
    """A prediction, and the verdict that was told on it for good."""

    prediction: Prediction
    change_id: str
    verdict: Verdict


def keep(connection: Connection, prediction: Prediction) -> None:
    """Keep what was foretold, for good."""
    told = {name: getattr(prediction, name) for name in _COLUMNS}
    told |= {"direction": DIRECTIONS.index(prediction.direction), "inputs": json.dumps(prediction.inputs)}
    connection.execute(insert(_table).values(told))


def one(connection: Connection, prediction_id: str) -> Prediction:
    """One prediction, or NotFound."""
    row = connection.execute(_kept().where(_table.c.id == prediction_id)).first()
    if row is None:
        raise NotFound("prediction", prediction_id)
    return _read(row)


def some(connection: Connection, prediction_ids: Collection[str]) -> dict[str, Prediction]:
    """Those of the ids that there are, by id."""
    rows = connection.execute(_kept().where(among(connection, _table.c.id, sorted(prediction_ids))))
    return {row.id: _read(row) for row in rows}


def listing(
    connection: Connection,
    team_ids: Collection[int] | None = None,
    finding_id: str | None = None,
    *,
    cursor: str | None = None,
    limit: int = 100,
) -> cursors.Page[Prediction]:
    """Predictions, the last made first; of all teams, or of some."""
    query = _kept()
    if team_ids is not None:
        query = query.where(among(connection, _table.c.team_id, sorted(team_ids)))
    if finding_id is not None:
        query = query.where(_table.c.finding_id == finding_id)
    if cursor is not None:
        made_ms, prediction_id = cursors.read(cursor, int, str)
        same = and_(_table.c.made_ms == made_ms, _table.c.id > prediction_id)
        query = query.where(or_(_table.c.made_ms < made_ms, same))
    rows = connection.execute(query.order_by(_table.c.made_ms.desc(), _table.c.id).limit(limit + 1))
    found = [_read(row) for row in rows]
    return cursors.page(found, limit, [(told.made_ms, told.id) for told in found])


def before(connection: Connection, team_ids: Collection[int], from_ms: int, to_ms: int) -> list[Prediction]:
    """What was foretold of teams within [from_ms, to_ms), the last made first."""
    made = (_table.c.made_ms >= from_ms, _table.c.made_ms < to_ms)
    query = _kept().where(among(connection, _table.c.team_id, sorted(team_ids)), *made)
    return [_read(row) for row in connection.execute(query.order_by(_table.c.made_ms.desc(), _table.c.id))]


def taken(connection: Connection, prediction_ids: Collection[str]) -> dict[str, str]:
    """By prediction, the change that is held against it, as far as one is."""
    query = select(_lines.c.prediction_id, _lines.c.change_id)
    rows = connection.execute(query.where(among(connection, _lines.c.prediction_id, sorted(prediction_ids))))
    return {row[0]: row[1] for row in rows}


def come(connection: Connection) -> list[Came]:
    """Every prediction whose verdict is final, in the order in which they were made."""
    query = (
        _kept()
        .add_columns(_lines.c.change_id, _lines.c.verdict)
        .join(_lines, _lines.c.prediction_id == _table.c.id)
        .where(_lines.c.final.is_(True))
        .order_by(_table.c.made_ms, _table.c.id)
    )
    rows = connection.execute(query)
    return [Came(_read(row[:-2]), row.change_id, msgspec.json.decode(row.verdict, type=Verdict)) for row in rows]


def _kept() -> Select[Any]:
    return select(*(_table.c[name] for name in _COLUMNS))


def _read(row: Any) -> Prediction:
    told = dict(zip(_COLUMNS, row, strict=True))
    return Prediction(**{**told, "direction": DIRECTIONS[told["direction"]], "inputs": json.loads(told["inputs"])})
