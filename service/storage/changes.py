"""Changes as operators recorded them, and by team and direction what each is compared with and what came of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import ColumnElement, Connection, Row, Select, and_, insert, or_, select, update

from service.errors import NotFound
from service.storage import cursors, tables
from service.storage.dialects import among, inserting, was_inserted
from service.terms import DIRECTIONS, Baseline, Change, Outcome, Verdict

_table, _lines = tables.changes, tables.change_teams
_teams, _devices = tables.teams, tables.devices
_COLUMNS = ("id", "at_ms", "who", "what", "reference", "kind", "settle_ms", "created_ms", "created_by")
_OF_LINE = (
    "change_id",
    "team_id",
    "direction",
    "prediction_id",
    "baseline",
    "outcome",
    "verdict",
    "verdict_ms",
    "final",
)


_NAMED = (
    _lines.c.change_id,
    _lines.c.prediction_id,
    _devices.c.name.label("device"),
    _teams.c.name.label("team"),
)


class Place(NamedTuple):
    """A team and direction."""

    team_id: int
    direction: int


class Line(NamedTuple):
    """One team and direction of a change; without a verdict while nobody has compared yet."""

    change_id: str
    team_id: int
    device: str
    team: str
    direction: str
    prediction_id: str
    baseline: Baseline | None
    outcome: Outcome
    verdict: Verdict | None
    verdict_ms: int | None
    final: bool

    @property
    def place(self) -> Place:
        """Which team and direction it is about."""
        return Place(self.team_id, DIRECTIONS.index(self.direction))


class Seen(NamedTuple):
    """A change as one team and direction sees it."""

    change: Change
    line: Line


def keep(connection: Connection, change: Change, wanted: Sequence[tuple[Place, str]], request: str = "") -> bool:
    """Keep a change with its teams and directions, each with the prediction it answers to; False where it is there."""
    told = {name: getattr(change, name) for name in _COLUMNS}
    if not was_inserted(connection, inserting(connection, _table).values(**told, request=request)):
        return False
    rows = [
        {"change_id": change.id, "team_id": place.team_id, "direction": place.direction, "prediction_id": prediction}
        for place, prediction in wanted
    ]
    connection.execute(insert(_lines), rows)
    return True


def one(connection: Connection, change_id: str) -> Change:
    """One change, or NotFound."""
    row = connection.execute(_kept().where(_table.c.id == change_id)).first()
    if row is None:
        raise NotFound("change", change_id)
    return Change(**row._asdict())


def listing(
    connection: Connection,
    team_ids: Collection[int] | None = None,
    within: tuple[int | None, int | None] = (None, None),
    *,
    cursor: str | None = None,
    limit: int = 100,
) -> cursors.Page[Change]:
    """Changes, the last made first; of all teams or of some, made within half-open bounds, None where there is none."""
    query = _kept()
    if team_ids is not None:
        mine = select(_lines.c.change_id).where(among(connection, _lines.c.team_id, sorted(team_ids)))
        query = query.where(_table.c.id.in_(mine))
    query = query.where(*_within(*within))
    if cursor is not None:
        at_ms, change_id = cursors.read(cursor, int, str)
        same = and_(_table.c.at_ms == at_ms, _table.c.id > change_id)
        query = query.where(or_(_table.c.at_ms < at_ms, same))
    rows = connection.execute(query.order_by(_table.c.at_ms.desc(), _table.c.id).limit(limit + 1))
    found = [Change(**row._asdict()) for row in rows]
    return cursors.page(found, limit, [(change.at_ms, change.id) for change in found])


def lines(connection: Connection, change_id: str) -> list[Line]:
    """The teams and directions of a change, by device, team and direction."""
    query = _with_names().where(_lines.c.change_id == change_id)
    return [_line(row) for row in connection.execute(query)]


def line(connection: Connection, change_id: str, place: Place) -> Line:
    """One team and direction of a change as it stands now, or NotFound."""
    row = connection.execute(_with_names().where(*_at(change_id, place))).first()
    if row is None:
        raise NotFound("change", change_id)
    return _line(row)


def outcomes(connection: Connection, change_ids: Collection[str]) -> dict[str, Counter[str]]:
    """By change, how many of its teams and directions have which outcome."""
    query = select(_lines.c.change_id, _lines.c.outcome)
    counts: dict[str, Counter[str]] = {change_id: Counter() for change_id in change_ids}
    for row in connection.execute(query.where(among(connection, _lines.c.change_id, sorted(change_ids)))):
        counts[row[0]][row[1]] += 1
    return counts


def recorded(connection: Connection, by: str, request: str) -> str | None:
    """The change that somebody recorded under their name for it, if they did."""
    query = select(_table.c.id).where(_table.c.created_by == by, _table.c.request == request)
    return connection.scalars(query).first()


def named(connection: Connection, change_ids: Collection[str]) -> dict[str, tuple[tuple[str, ...], int]]:
    """By change, its teams as device/team in order, and at how many directions something had been foretold."""
    query = _with_names().where(among(connection, _lines.c.change_id, sorted(change_ids)))
    teams: dict[str, dict[str, None]] = {change_id: {} for change_id in change_ids}
    foretold: Counter[str] = Counter()
    for row in connection.execute(query.with_only_columns(*_NAMED)):
        teams[row.change_id][f"{row.device}/{row.team}"] = None
        foretold[row.change_id] += bool(row.prediction_id)
    return {change_id: (tuple(names), foretold[change_id]) for change_id, names in teams.items()}


def of_teams(
    connection: Connection, team_ids: Collection[int], since_ms: int | None = None, until_ms: int | None = None
) -> list[Seen]:
    """What was changed at teams within [since_ms, until_ms), one for each direction, the first made first."""
    query = _with_names(*(_table.c[name].label(f"of_{name}") for name in _COLUMNS))
    query = query.join(_table, _table.c.id == _lines.c.change_id)
    query = query.where(among(connection, _lines.c.team_id, sorted(team_ids)), *_within(since_ms, until_ms))
    rows = connection.execute(query.order_by(None).order_by(_table.c.at_ms, _table.c.id, _lines.c.direction))
    return [Seen(Change(**{name: getattr(row, f"of_{name}") for name in _COLUMNS}), _line(row)) for row in rows]


def at_team(connection: Connection, team_id: int, change_ids: Collection[str]) -> dict[str, list[Line]]:
    """By change, what it was at one team, direction by direction."""
    query = _with_names().where(_lines.c.team_id == team_id)
    found: dict[str, list[Line]] = {change_id: [] for change_id in change_ids}
    for row in connection.execute(query.where(among(connection, _lines.c.change_id, sorted(change_ids)))):
        found[row.change_id].append(_line(row))
    return found


def awaited(connection: Connection, limit: int) -> list[Line]:
    """Teams and directions whose verdict is not final, those first that were looked at longest ago."""
    query = _with_names().where(_lines.c.final.is_(False))
    never_first = (_lines.c.verdict_ms.is_not(None), _lines.c.verdict_ms, _lines.c.change_id, _lines.c.team_id)
    return [_line(row) for row in connection.execute(query.order_by(None).order_by(*never_first).limit(limit))]


def freeze(connection: Connection, change_id: str, place: Place, baseline: Baseline) -> None:
    """Keep what a change is compared with, unless that is kept already."""
    statement = update(_lines).where(*_at(change_id, place), _lines.c.baseline == "")
    connection.execute(statement.values(baseline=msgspec.json.encode(baseline).decode()))


def tell(connection: Connection, line: Line, verdict: Verdict, now_ms: int, *, final: bool) -> None:
    """Keep what came of it as it stands now; what is final stays."""
    statement = update(_lines).where(*_at(line.change_id, line.place), _lines.c.final.is_(False))
    written = msgspec.json.encode(verdict).decode()
    connection.execute(statement.values(outcome=str(verdict.outcome), verdict=written, verdict_ms=now_ms, final=final))


def pass_over(connection: Connection, line: Line, now_ms: int) -> None:
    """Let others be looked at before this one, of which nothing could be told now."""
    waits = (*_at(line.change_id, line.place), _lines.c.final.is_(False))
    connection.execute(update(_lines).where(*waits).values(verdict_ms=now_ms))


def _kept() -> Select[Any]:
    return select(*(_table.c[name] for name in _COLUMNS))


def _within(since_ms: int | None, until_ms: int | None) -> list[ColumnElement[bool]]:
    bounds = [] if since_ms is None else [_table.c.at_ms >= since_ms]
    return bounds if until_ms is None else [*bounds, _table.c.at_ms < until_ms]


def _with_names(*more: ColumnElement[Any]) -> Select[Any]:
    names = _devices.c.name.label("device"), _teams.c.name.label("team")
    return (
        select(*(_lines.c[name] for name in _OF_LINE), *names, *more)
        .join(_teams, _teams.c.id == _lines.c.team_id)
        .join(_devices, _devices.c.id == _teams.c.device_id)
        .order_by(_devices.c.name, _teams.c.name, _lines.c.direction)
    )


def _at(change_id: str, place: Place) -> tuple[ColumnElement[bool], ...]:
    mine = _lines.c.team_id == place.team_id, _lines.c.direction == place.direction
    return (_lines.c.change_id == change_id, *mine)


def _line(row: Row[Any]) -> Line:
    return Line(
        change_id=row.change_id,
        team_id=row.team_id,
        device=row.device,
        team=row.team,
        direction=DIRECTIONS[row.direction],
        prediction_id=row.prediction_id,
        baseline=msgspec.json.decode(row.baseline, type=Baseline) if row.baseline else None,
        outcome=Outcome(row.outcome),
        verdict=msgspec.json.decode(row.verdict, type=Verdict) if row.verdict else None,
        verdict_ms=row.verdict_ms,
        final=row.final,
    )
