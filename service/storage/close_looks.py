"""At which teams somebody looks closely for a while: how narrow the windows are, since when, until when, and who."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import Connection, delete, func, select, update

from service.errors import WrongState
from service.storage import tables
from service.storage.dialects import inserting, serialise

BEGIN_LOCK = 6_207_114_516
MOST = 8  # at once: each may have its device asked more often
KEPT_MS = 86_400_000

_table, _teams, _devices = tables.close_looks, tables.teams, tables.devices
_changed = tables.change_teams


class CloseLook(NamedTuple):
    """One team looked at in windows of `width_ms` from `from_ms` until `until_ms`."""

    team_id: int
    width_ms: int
    from_ms: int
    until_ms: int
    who: str

    def lasts(self, now_ms: int) -> bool:
        """Whether it has not ended by then."""
        return now_ms < self.until_ms


def begin(connection: Connection, look: CloseLook) -> None:
    """Look at a team in place of any look at it before; WrongState where `MOST` others are looked at already."""
    serialise(connection, BEGIN_LOCK)
    others = select(func.count()).where(_table.c.until_ms > look.from_ms, _table.c.team_id != look.team_id)
    if connection.execute(others).scalar_one() >= MOST:
        raise WrongState(f"{MOST} teams are looked at closely already, the most at once; end one of these looks first")
    statement = inserting(connection, _table).values(look._asdict())
    told = {name: statement.excluded[name] for name in CloseLook._fields if name != "team_id"}
    connection.execute(statement.on_conflict_do_update(index_elements=["team_id"], set_=told))


def of_team(connection: Connection, team_id: int) -> CloseLook | None:
    """The last look at a team, whether it lasts or has ended; None where there is none."""
    row = connection.execute(select(_table).where(_table.c.team_id == team_id)).first()
    return CloseLook._make(row) if row else None


def end(connection: Connection, team_id: int, now_ms: int) -> bool:
    """End a look now; whether there was one that lasted."""
    lasts = _table.c.team_id == team_id, _table.c.until_ms > now_ms
    return connection.execute(update(_table).where(*lasts).values(until_ms=now_ms)).rowcount > 0


def news(connection: Connection, team_id: int, now_ms: int) -> tuple[int, ...]:
    """What is another whenever the page of a close look would be: begun, ended, a whole window more, a change more."""
    look = of_team(connection, team_id)
    if look is None:
        return ()
    told = select(_devices.c.last_sample_ms).join(_teams, _teams.c.device_id == _devices.c.id)
    newest_ms = connection.execute(told.where(_teams.c.id == team_id)).scalar() or 0
    made = select(func.count()).where(_changed.c.team_id == team_id)
    changed = connection.execute(made).scalar_one()
    return (look.from_ms, look.until_ms, int(look.lasts(now_ms)), newest_ms // look.width_ms, changed)


def wanted(connection: Connection, now_ms: int) -> dict[str, int]:
    """By device, how often it is worth asking now for those who look at its teams, in milliseconds.

    That is the narrowest of their windows, or how often its counters were seen to refresh, if that is more rarely:
    the same reading again says nothing.
    """
    query = (
        select(_devices.c.name, func.min(_table.c.width_ms), func.coalesce(func.max(_devices.c.refresh_ms), 0))
        .join(_teams, _teams.c.device_id == _devices.c.id)
        .join(_table, _table.c.team_id == _teams.c.id)
        .where(_table.c.from_ms <= now_ms, _table.c.until_ms > now_ms)
        .group_by(_devices.c.name)
    )
    return {name: max(width_ms, refresh_ms) for name, width_ms, refresh_ms in connection.execute(query)}


def forget(connection: Connection, now_ms: int) -> int:
    """Remove looks that ended a day ago or longer; how many."""
    return connection.execute(delete(_table).where(_table.c.until_ms <= now_ms - KEPT_MS)).rowcount
