"""Findings with what operators made of them, and their history, to which lines are only ever added."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, func, insert, or_, select, update

from service.errors import NotFound, WrongQuestion
from service.storage import bodies, cursors, tables
from service.storage.dialects import among, inserting
from service.terms import DIRECTIONS, FAMILY_WORDS, Finding

SHELVED = "shelved"
OPERATOR_STATES = ("none", "ack", "closed", SHELVED)
STATES = ("open", "cleared")
_table, _history = tables.findings, tables.finding_history


class Kept(NamedTuple):
    """A finding as it is kept: with its team and what an operator said."""

    finding: Finding
    team_id: int
    operator_state: str
    operator: str
    shelved_until_ms: int | None = None


class Entry(NamedTuple):
    """A line of a finding's history."""

    at_ms: int
    what: str
    who: str
    text: str
    details: dict[str, Any]


@dataclass(frozen=True)
class Filters:
    """Which findings are wanted; None is all. `since_ms` and `until_ms` bound when they were raised, half-open."""

    device: str | None = None
    team: str | None = None
    team_id: int | None = None
    direction: str | None = None
    kinds: Collection[str] | None = None
    severities: Collection[str] | None = None
    state: str | None = None
    operator_state: str | None = None
    since_ms: int | None = None
    until_ms: int | None = None
    part_of: str | None = None  # empty for those that are part of no other


def save(connection: Connection, team_id: int, finding: Finding) -> None:
    """Keep a finding as it is now, new or changed; what operators made of it stays."""
    told = {
        "team_id": team_id,
        "direction": DIRECTIONS.index(finding.direction),
        "family": FAMILY_WORDS.index(finding.family),
        "kind": finding.kind,
        "severity": str(finding.severity),
        "raised_ms": finding.raised_ms,
        "cleared_ms": finding.cleared_ms,
        "part_of": finding.part_of,
        "updated_ms": finding.updated_ms,
        "body": bodies.written(finding),
    }
    statement = inserting(connection, _table).values(id=finding.id, **told)
    connection.execute(statement.on_conflict_do_update(index_elements=["id"], set_=told))


def one(connection: Connection, finding_id: str) -> Kept:
    """One finding, or NotFound."""
    row = connection.execute(_kept().where(_table.c.id == finding_id)).first()
    if row is None:
        raise NotFound("finding", finding_id)
    return _read(row)


def listing(
    connection: Connection, filters: Filters | None = None, cursor: str | None = None, limit: int = 100
) -> cursors.Page[Kept]:
    """Findings, the newest first."""
    query = _kept().where(*_conditions(connection, filters or Filters()))
    if cursor is not None:
        raised_ms, finding_id = cursors.read(cursor, int, str)
        same = and_(_table.c.raised_ms == raised_ms, _table.c.id > finding_id)
        query = query.where(or_(_table.c.raised_ms < raised_ms, same))
    query = query.order_by(_table.c.raised_ms.desc(), _table.c.id).limit(limit + 1)
    found = [_read(row) for row in connection.execute(query)]
    return cursors.page(found, limit, [(kept.finding.raised_ms, kept.finding.id) for kept in found])


def history(connection: Connection, finding_id: str) -> tuple[Entry, ...]:
    """What happened to a finding, in the order in which it was noted."""
    query = (
        select(_history.c.at_ms, _history.c.what, _history.c.who, _history.c.text, _history.c.details)
        .where(_history.c.finding_id == finding_id)
        .order_by(_history.c.at_ms, _history.c.id)
    )
    return tuple(Entry._make((*row[:4], details_of(row[4]))) for row in connection.execute(query))


def details_of(text: str) -> dict[str, Any]:
    """The details of a line of history behind their text."""
    told: dict[str, Any] = json.loads(text)
    return told


def note(  # noqa: PLR0913, PLR0917  # one line of history, value by value
    connection: Connection,
    finding_id: str,
    at_ms: int,
    what: str,
    who: str = "",
    text: str = "",
    details: Mapping[str, Any] | None = None,
) -> None:
    """Add a line to a finding's history."""
    told = {"finding_id": finding_id, "at_ms": at_ms, "what": what, "who": who, "text": text}
    connection.execute(insert(_history).values(**told, details=json.dumps(details or {})))


def set_operator(connection: Connection, finding_id: str, state: str, who: str, until_ms: int | None = None) -> None:
    """Note what an operator made of a finding, until when where it is shelved; or NotFound."""
    if state not in OPERATOR_STATES:
        raise WrongQuestion("operator_state", f"is one of {', '.join(OPERATOR_STATES)}, not {state!r}")
    told = {"operator_state": state, "operator": who, "shelved_until_ms": until_ms}
    statement = update(_table).where(_table.c.id == finding_id).values(told)
    if connection.execute(statement).rowcount == 0:
        raise NotFound("finding", finding_id)


def cleared_since(connection: Connection, since_ms: int, limit: int) -> tuple[tuple[Kept, ...], int]:
    """Findings that ended at `since_ms` or later and are part of no other, the last ended first; how many there are."""
    ended = (_table.c.cleared_ms >= since_ms, _table.c.part_of == "")
    query = _kept().where(*ended).order_by(_table.c.cleared_ms.desc(), _table.c.id).limit(limit)
    count = connection.scalar(select(func.count()).select_from(_table).where(*ended))
    return tuple(_read(row) for row in connection.execute(query)), count or 0


def parts(connection: Connection, whole_ids: Collection[str], most: int) -> dict[str, tuple[Kept, ...]]:
    """By finding about a fleet, at most so many of those that are part of it, by name of device and team."""
    of_team = tables.teams.join(tables.devices, tables.devices.c.id == tables.teams.c.device_id)
    order = (tables.devices.c.name, tables.teams.c.name, _table.c.raised_ms, _table.c.id)
    place = func.row_number().over(partition_by=_table.c.part_of, order_by=order)
    query = select(_table.c.id, place.label("place")).join(of_team, tables.teams.c.id == _table.c.team_id)
    some = query.where(among(connection, _table.c.part_of, sorted(whole_ids))).subquery()
    rows = connection.execute(
        _kept().join(some, some.c.id == _table.c.id).where(some.c.place <= most).order_by(some.c.place)
    )
    found: dict[str, list[Kept]] = {one: [] for one in whole_ids}
    for row in rows:
        kept = _read(row)
        found[kept.finding.part_of].append(kept)
    return {one: tuple(some) for one, some in found.items()}


def is_shelved(connection: Connection, finding_id: str) -> bool:
    """Whether a finding is shelved now."""
    query = select(_table.c.id).where(_table.c.id == finding_id, _table.c.operator_state == SHELVED)
    return connection.execute(query).first() is not None


def run_out(connection: Connection, now_ms: int, limit: int) -> tuple[Kept, ...]:
    """Findings whose shelf has ended by now, the first ended first."""
    ended = (_table.c.operator_state == SHELVED, _table.c.shelved_until_ms <= now_ms)
    query = _kept().where(*ended).order_by(_table.c.shelved_until_ms, _table.c.id).limit(limit)
    return tuple(_read(row) for row in connection.execute(query))


def _kept() -> Select[Any]:
    return select(
        _table.c.body, _table.c.team_id, _table.c.operator_state, _table.c.operator, _table.c.shelved_until_ms
    )


def _read(row: Any) -> Kept:
    return Kept(bodies.read(row[0]), *row[1:])


def _conditions(connection: Connection, wanted: Filters) -> list[ColumnElement[bool]]:
    columns = _table.c
    conditions = [*_about(wanted), *_of_state(wanted)]
    if wanted.kinds is not None:
        conditions.append(among(connection, columns.kind, sorted(wanted.kinds)))
    if wanted.severities is not None:
        conditions.append(among(connection, columns.severity, sorted(wanted.severities)))
    if wanted.since_ms is not None:
        conditions.append(columns.raised_ms >= wanted.since_ms)
    if wanted.until_ms is not None:
        conditions.append(columns.raised_ms < wanted.until_ms)
    return conditions


def _about(wanted: Filters) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    if wanted.team_id is not None:
        conditions.append(_table.c.team_id == wanted.team_id)
    if wanted.device is not None or wanted.team is not None:
        teams, devices = tables.teams.c, tables.devices.c
        named = select(teams.id).join(tables.devices, devices.id == teams.device_id)
        named = named.where(devices.name == wanted.device) if wanted.device is not None else named
        named = named.where(teams.name == wanted.team) if wanted.team is not None else named
        conditions.append(_table.c.team_id.in_(named))
    if wanted.part_of is not None:
        conditions.append(_table.c.part_of == wanted.part_of)
    if wanted.direction is not None:
        _must_be_one_of("direction", wanted.direction, DIRECTIONS)
        conditions.append(_table.c.direction == DIRECTIONS.index(wanted.direction))
    return conditions


def _of_state(wanted: Filters) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    if wanted.state is not None:
        _must_be_one_of("state", wanted.state, STATES)
        is_open = _table.c.cleared_ms.is_(None)
        conditions.append(is_open if wanted.state == "open" else ~is_open)
    if wanted.operator_state is not None:
        _must_be_one_of("operator_state", wanted.operator_state, OPERATOR_STATES)
        conditions.append(_table.c.operator_state == wanted.operator_state)
    return conditions


def _must_be_one_of(parameter: str, word: str, words: Sequence[str]) -> None:
    if word not in words:
        raise WrongQuestion(parameter, f"is one of {', '.join(words)}, not {word!r}")
