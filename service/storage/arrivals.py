"""What has arrived and is still to be evaluated: one row a batch, read and then forgotten by its id."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection, delete, insert, select

from service.storage import tables
from service.storage.dialects import among
from service.terms import Codes, Ints


class Arrival(NamedTuple):
    """The teams that one batch touched, and the oldest new sample of each."""

    id: int
    team_ids: Codes
    from_ms: Ints


def note(connection: Connection, team_ids: Codes, from_ms: Ints) -> None:
    """Note that samples of these teams were kept, none older than the instants given."""
    if len(team_ids):
        teams, oldest = np.asarray(team_ids, dtype="<i4").tobytes(), np.asarray(from_ms, dtype="<i8").tobytes()
        connection.execute(insert(tables.arrivals).values(teams=teams, from_ms=oldest))


def pending(connection: Connection, limit: int = 10_000) -> list[Arrival]:
    """What has not been evaluated, oldest first."""
    query = select(tables.arrivals).order_by(tables.arrivals.c.id).limit(limit)
    return [
        Arrival(row.id, np.frombuffer(row.teams, dtype="<i4"), np.frombuffer(row.from_ms, dtype="<i8"))
        for row in connection.execute(query)
    ]


def forget(connection: Connection, ids: list[int]) -> None:
    """Forget those that have been evaluated, and only those: others may have been committed since."""
    connection.execute(delete(tables.arrivals).where(among(connection, tables.arrivals.c.id, ids)))
