"""What of a page's topic may have changed: a state for each, which differs once there is news."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Select, func, select

from service.storage import close_looks, tables

LISTS = frozenset(("findings", "teams", "changes", "sources", "week"))
ONE = re.compile(r"(?:(?:team|lab):[1-9][0-9]{0,8}|(?:finding|change):[A-Za-z0-9_-]{1,32})")
State = tuple[Any, ...]

_found, _history, _teams = tables.findings.c, tables.finding_history.c, tables.teams.c
_changes, _verdicts, _devices = tables.changes.c, tables.change_teams.c, tables.devices.c


def is_topic(topic: str) -> bool:
    """Whether a page may be about this."""
    return topic in LISTS or ONE.fullmatch(topic) is not None


def states(connection: Connection, topics: Iterable[str], now_ms: int) -> dict[str, State]:
    """A state for each topic; of several teams or findings all are asked for at once."""
    wanted: dict[str, set[str]] = {}
    for topic in topics:
        what, _, which = topic.partition(":")
        wanted.setdefault(what, set()).add(which)
    found: dict[str, State] = {}
    for what, ids in wanted.items():
        if what in LISTS:
            found[what] = tuple(connection.execute(_of_list(what)).one())
        elif what == "team":
            found |= _of_teams(connection, {int(one) for one in ids})
        elif what == "finding":
            found |= _of_findings(connection, ids)
        elif what == "change":
            found |= _of_changes(connection, ids)
        else:
            found |= {f"lab:{one}": close_looks.news(connection, int(one), now_ms) for one in ids}
    return found


def _of_list(what: str) -> Select[*tuple[Any, ...]]:
    # Whatever happens to a finding adds to its history.
    told = select(func.max(_history.id)).scalar_subquery()
    silent = select(func.count(_devices.silent_since_ms)).scalar_subquery()
    since = select(func.max(_devices.silent_since_ms)).scalar_subquery()
    if what == "findings":
        return select(told, silent, since)
    if what == "teams":
        return select(func.max(_teams.decided_ms), func.count(), told)
    if what == "changes":
        verdict = select(func.max(_verdicts.verdict_ms)).scalar_subquery()
        return select(func.max(_changes.created_ms), func.count(), verdict)
    if what == "sources":
        return select(func.max(_devices.last_received_ms), func.count(), silent, since)
    # Rows of a year are too many to count every two seconds; those of the newest day are found by the index.
    newest = select(func.max(tables.team_days.c.day_ms)).scalar_subquery()
    return select(func.max(tables.team_days.c.made_ms), func.count()).where(tables.team_days.c.day_ms == newest)


def _of_teams(connection: Connection, ids: set[int]) -> dict[str, State]:
    decided = select(_teams.id, _teams.decided_ms).where(_teams.id.in_(ids))
    of = _found.team_id.in_(ids)
    updated = select(_found.team_id, func.max(_found.updated_ms)).where(of).group_by(_found.team_id)
    seen = _verdicts.team_id.in_(ids)
    verdicts = select(_verdicts.team_id, func.count(), func.max(_verdicts.verdict_ms)).where(seen)
    queries = (decided, updated, verdicts.group_by(_verdicts.team_id))
    return _joined("team", ids, [connection.execute(query).all() for query in queries])


def _of_findings(connection: Connection, ids: set[str]) -> dict[str, State]:
    told = select(_history.finding_id, func.max(_history.id)).where(_history.finding_id.in_(ids))
    decided = select(_found.id, _found.updated_ms, _teams.decided_ms).where(_found.id.in_(ids))
    queries = (told.group_by(_history.finding_id), decided.join(tables.teams, _teams.id == _found.team_id))
    return _joined("finding", ids, [connection.execute(query).all() for query in queries])


def _of_changes(connection: Connection, ids: set[str]) -> dict[str, State]:
    outcome = select(_verdicts.change_id, func.count(), func.max(_verdicts.verdict_ms))
    rows = connection.execute(outcome.where(_verdicts.change_id.in_(ids)).group_by(_verdicts.change_id)).all()
    return _joined("change", ids, [rows])


def _joined(what: str, ids: Iterable[object], answers: Iterable[Iterable[Sequence[Any]]]) -> dict[str, State]:
    found: dict[str, State] = {f"{what}:{one}": () for one in ids}
    for rows in answers:
        for row in rows:
            found[f"{what}:{row[0]}"] += tuple(row[1:])
    return found
