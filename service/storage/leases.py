"""Who does a piece of recurring work, where several processes could; a lease runs out with its holder."""

from __future__ import annotations

from sqlalchemy import Connection, case, or_

from service.storage import tables
from service.storage.dialects import inserting

LONGEST_MS = 60_000
_table = tables.leases


def take(connection: Connection, name: str, owner: str, ttl_ms: int, now_ms: int) -> int | None:
    """Take or keep a lease: its epoch, which grows with each change of owner; None while somebody else holds it.

    A lease that would run for longer than any lasts is free: it was taken before the clock was set back.
    """
    until = now_ms + ttl_ms
    free = or_(_table.c.owner == owner, _table.c.until_ms <= now_ms, _table.c.until_ms > now_ms + LONGEST_MS)
    epoch = case((_table.c.owner == owner, _table.c.epoch), else_=_table.c.epoch + 1)
    statement = inserting(connection, _table).values(name=name, owner=owner, until_ms=until, epoch=1)
    taking = statement.on_conflict_do_update(
        index_elements=["name"], set_={"owner": owner, "until_ms": until, "epoch": epoch}, where=free
    )
    return connection.execute(taking.returning(_table.c.epoch)).scalar()


def give_up(connection: Connection, name: str, owner: str, now_ms: int) -> None:
    """Let somebody else take a lease at once; its epoch goes on."""
    connection.execute(_table.update().where(_table.c.name == name, _table.c.owner == owner).values(until_ms=now_ms))
