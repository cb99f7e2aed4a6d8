"""The devices that this service polls, and how that goes."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, delete, select

from service.storage import tables
from service.storage.dialects import among, inserting

_table = tables.agents
# Since when a device is polled is known once; whoever notes it later may know only since when it polls itself.
_SETTLED = frozenset({"device", "since_ms"})


class Polling(NamedTuple):
    """How the polling of one device goes.

    `interval_ms` is as asked for, `stretched_ms` as it is kept while there is too much to do. `failures` counts
    polls without an answer in a row, `lost` all of them among `polls`. `skew_ms` is the time between the first and
    the last reading of the last poll. `trouble` says in words what is the matter, empty where nothing is; `notes`
    what deviates from the standards in what the device says.
    """

    device: str
    address: str
    version: str
    clear_text: bool
    interval_ms: int
    stretched_ms: int
    since_ms: int
    asked_ms: int | None = None
    answered_ms: int | None = None
    failures: int = 0
    next_ms: int | None = None
    took_ms: int | None = None
    skew_ms: int | None = None
    polls: int = 0
    lost: int = 0
    trouble: str = ""
    notes: tuple[str, ...] = ()


def note(connection: Connection, rows: Sequence[Polling]) -> None:
    """Note how it goes with some devices, each once; since when a device is polled stays as it was first noted."""
    if not rows:
        return
    statement = inserting(connection, _table)
    told = {column.name: statement.excluded[column.name] for column in _table.columns if column.name not in _SETTLED}
    # In one order whoever writes, or two that note the same devices would wait for each other.
    values = [_row(polling) for polling in sorted(rows, key=lambda polling: polling.device)]
    connection.execute(statement.on_conflict_do_update(index_elements=["device"], set_=told), values)


def listing(connection: Connection) -> tuple[Polling, ...]:
    """The devices that are polled, by name."""
    query = select(*(_table.c[name] for name in Polling._fields)).order_by(_table.c.device)
    return tuple(Polling._make((*row[:-1], tuple(json.loads(row.notes)))) for row in connection.execute(query))


def forget(connection: Connection, devices: Collection[str]) -> None:
    """Forget devices that are polled no longer; what they brought stays."""
    if devices:
        connection.execute(delete(_table).where(among(connection, _table.c.device, sorted(devices))))


def _row(polling: Polling) -> dict[str, object]:
    return polling._asdict() | {"notes": json.dumps(polling.notes, ensure_ascii=False)}
