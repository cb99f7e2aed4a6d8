"""Announced maintenance, while which messages wait; one that was ended stays to be read."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select, update

from service.errors import NotFound, WrongState
from service.storage import tables
from service.storage.deliveries import HELD
from service.storage.dialects import serialise
from service.terms import QuietTime

ADD_LOCK = 6_207_114_517
MOST = 200  # that have not been ended
KEPT = 50  # ended ones that are listed
_table, _told = tables.quiet_times, tables.deliveries


def add(connection: Connection, quiet: QuietTime) -> None:
    """Keep one; WrongState where there are as many as anybody can keep in mind."""
    serialise(connection, ADD_LOCK)
    if len(standing(connection)) >= MOST:
        raise WrongState(f"there are {MOST} quiet times already; end those that are over first")
    about = {"devices": quiet.devices, "teams": quiet.teams, "sites": quiet.sites}
    told = {name: getattr(quiet, name) for name in ("id", "minutes", "zone", "recurrence", "because", "set_by")}
    told |= {"begins": quiet.begins.isoformat(), "about": json.dumps(about), "created_ms": quiet.created_ms}
    connection.execute(insert(_table).values(told))


def standing(connection: Connection) -> tuple[QuietTime, ...]:
    """Those that nobody ended, the first made first; single ones that are long over are among them."""
    query = select(_table).where(_table.c.ended_ms.is_(None)).order_by(_table.c.created_ms, _table.c.id)
    return tuple(_read(row._mapping) for row in connection.execute(query))


def ended(connection: Connection) -> tuple[QuietTime, ...]:
    """The last ones that somebody ended."""
    query = select(_table).where(_table.c.ended_ms.is_not(None)).order_by(_table.c.ended_ms.desc()).limit(KEPT)
    return tuple(_read(row._mapping) for row in connection.execute(query))


def one(connection: Connection, quiet_id: str) -> QuietTime:
    """One of them, or NotFound."""
    row = connection.execute(select(_table).where(_table.c.id == quiet_id)).first()
    if row is None:
        raise NotFound("quiet time", quiet_id)
    return _read(row._mapping)


def end(connection: Connection, quiet_id: str, now_ms: int) -> None:
    """End one for good; WrongState where that was done before."""
    one(connection, quiet_id)
    statement = update(_table).where(_table.c.id == quiet_id, _table.c.ended_ms.is_(None)).values(ended_ms=now_ms)
    if connection.execute(statement).rowcount == 0:
        raise WrongState("this quiet time has been ended already")
    # What waits is looked at anew; another quiet time may hold it on.
    waits = _told.c.state == HELD, _told.c.next_attempt_ms > now_ms
    connection.execute(update(_told).where(*waits).values(next_attempt_ms=now_ms))


def _read(row: Any) -> QuietTime:
    about: dict[str, Any] = {name: tuple(patterns) for name, patterns in json.loads(row["about"]).items()}
    told = {name: value for name, value in row.items() if name not in ("about", "begins")}
    return QuietTime(**told, **about, begins=datetime.fromisoformat(row["begins"]))
