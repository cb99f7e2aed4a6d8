"""Messages that wait for the end of a quiet time."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import Connection, select, update

from service.storage import tables
from service.storage.deliveries import COLUMNS, HELD, OWED, Delivery
from service.storage.dialects import among

_table = tables.deliveries


def due(connection: Connection, now_ms: int, limit: int) -> tuple[Delivery, ...]:
    """What has waited long enough, in the order in which it was owed; all that waits of a finding comes together."""
    ends = select(_table.c.finding_id).where(_table.c.state == HELD, _table.c.next_attempt_ms <= now_ms)
    some = ends.distinct().order_by(_table.c.finding_id).limit(limit)
    query = (
        select(*COLUMNS)
        .where(_table.c.state == HELD, _table.c.finding_id.in_(some))
        .order_by(_table.c.finding_id, _table.c.route, _table.c.position)
    )
    return tuple(Delivery(*row) for row in connection.execute(query))


def keep(connection: Connection, ids: Collection[str], until_ms: int) -> None:
    """Hold messages on."""
    statement = update(_table).where(among(connection, _table.c.id, sorted(ids)), _table.c.state == HELD)
    connection.execute(statement.values(next_attempt_ms=until_ms))


def let_go(connection: Connection, delivery_id: str, body: str, now_ms: int) -> None:
    """Owe a message that was held, with what there is to say by now; its time to be tried begins only now."""
    told = {"state": OWED, "next_attempt_ms": now_ms, "body": body, "created_ms": now_ms}
    connection.execute(update(_table).where(_table.c.id == delivery_id, _table.c.state == HELD).values(told))
