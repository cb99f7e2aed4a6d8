"""Virtual ports and conversations on members: what sources told of them, and their rates over a stretch of time."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, case, delete, select, tuple_

from service.storage import tables
from service.storage.dialects import among, inserting
from service.terms import Endpoints, Item, ItemReading

_table, _ports = tables.items, tables.ports
_KEYS = ("port_id", "direction", "end_ms", "kind", "name")
_OF_RATES = ("kind", "name", "start_ms", "end_ms", "octets", "parts", "endpoints")
KEYS_AT_ONCE, ROWS_AT_ONCE = 500, 5000

MOST_OCTETS = 2**62
Key = tuple[int, int, int, str, str]
Stretch = tuple[int, int]


class Outcome(NamedTuple):
    """How many readings were news, and how many were known just so."""

    accepted: int
    duplicates: int


class Rates(NamedTuple):
    """Items with their mean rates, heaviest first, and of how many seconds of the stretch anything was told."""

    items: tuple[Item, ...]
    seconds: float


def keep(connection: Connection, placed: Sequence[tuple[int, ItemReading]]) -> Outcome:
    """Keep readings, each with the id of its member, over what was told before of the same item and end.

    Two of one key in one call count as one reading told twice: the last one holds.
    """
    rows = dict(_keyed(port_id, reading) for port_id, reading in placed)
    news = [rows[key] for key in sorted(rows.keys() - _known(connection, rows))]
    if news:
        made = inserting(connection, _table)
        values = {column.name: made.excluded[column.name] for column in _table.columns if column.name not in _KEYS}
        connection.execute(made.on_conflict_do_update(index_elements=list(_KEYS), set_=values), news)
    return Outcome(len(news), len(placed) - len(news))


def add(connection: Connection, placed: Sequence[tuple[int, ItemReading]]) -> None:
    """Add the octets of these readings to what is kept of the same item and end, up to what a column holds."""
    rows: dict[Key, dict[str, Any]] = {}
    for key, row in (_keyed(port_id, reading) for port_id, reading in placed):
        kept = rows.setdefault(key, row)
        if kept is not row:
            kept["octets"] = min(kept["octets"] + row["octets"], MOST_OCTETS)
    if rows:
        made = inserting(connection, _table)
        # Parts stay as they were: a conversation told in two pieces is still one, and of the rest nobody knows.
        both = _table.c.octets + made.excluded.octets
        full = _table.c.octets > MOST_OCTETS - made.excluded.octets
        more = {"octets": case((full, MOST_OCTETS), else_=both)}
        statement = made.on_conflict_do_update(index_elements=list(_KEYS), set_=more)
        connection.execute(statement, [rows[key] for key in sorted(rows)])


def of_ports(connection: Connection, port_ids: Collection[int], direction: int, from_ms: int, to_ms: int) -> Rates:
    """The mean rate of each item on these members over [from_ms, to_ms), octets apportioned by time.

    A rate is over the time of which its kind was told at all on any of the members: a conversation that
    ran for one of ten such minutes has a tenth of its rate while it ran.
    """
    stretches: dict[str, set[Stretch]] = {}
    sums: dict[tuple[str, str, str], float] = {}
    latest: dict[tuple[str, str, str], str] = {}
    parts: dict[tuple[str, str, str], int] = {}
    for row in _within(connection, port_ids, direction, from_ms, to_ms) if from_ms < to_ms else ():
        item, within = (row.kind, row.name, row.port), (max(row.start_ms, from_ms), min(row.end_ms, to_ms))
        stretches.setdefault(row.kind, set()).add(within)
        share = (within[1] - within[0]) / (row.end_ms - row.start_ms)
        sums[item] = sums.get(item, 0.0) + row.octets * share
        latest[item] = row.endpoints
        parts[item] = max(parts.get(item, 0), row.parts)
    told_s = {kind: _length_ms(of_kind) / 1000 for kind, of_kind in stretches.items()}
    found = [Item(*item, 8 * sums[item] / told_s[item[0]], parts[item], _ends(ends)) for item, ends in latest.items()]
    found.sort(key=lambda item: (-item.bps, item.kind, item.name, item.port))
    return Rates(tuple(found), max(told_s.values(), default=0.0))


def forget_before(connection: Connection, at_ms: int, limit: int) -> int:
    """Keep no longer what ended before an instant, at most so many rows at once; how many went."""
    old = select(*(_table.c[name] for name in _KEYS)).where(_table.c.end_ms < at_ms).order_by(_table.c.end_ms)
    keys = connection.execute(old.limit(limit)).all()
    if not keys:
        return 0
    last_ms = max(key.end_ms for key in keys)
    # All of one instant go together: so a slice is a range of the index.
    return connection.execute(delete(_table).where(_table.c.end_ms <= last_ms)).rowcount


def _keyed(port_id: int, reading: ItemReading) -> tuple[Key, dict[str, Any]]:
    row = {
        "port_id": port_id,
        "direction": reading.direction,
        "end_ms": reading.end_ms,
        "kind": reading.kind,
        "name": reading.name,
        "start_ms": reading.start_ms,
        "octets": reading.octets,
        "parts": reading.parts,
        "endpoints": json.dumps(reading.endpoints) if any(reading.endpoints) else "",
        "source": reading.source,
    }
    return (port_id, reading.direction, reading.end_ms, reading.kind, reading.name), row


def _known(connection: Connection, rows: Mapping[Key, Mapping[str, Any]]) -> set[Key]:
    """The keys of which just the same is kept."""
    key_columns, keys, known = tuple_(*(_table.c[name] for name in _KEYS)), sorted(rows), set()
    for at in range(0, len(keys), KEYS_AT_ONCE):
        query = select(_table).where(key_columns.in_(keys[at : at + KEYS_AT_ONCE]))
        kept = (dict(row._mapping) for row in connection.execute(query))
        known |= {key for row in kept if rows[key := _key_of(row)] == row}
    return known


def _key_of(row: Mapping[str, Any]) -> Key:
    return row["port_id"], row["direction"], row["end_ms"], row["kind"], row["name"]


def _within(
    connection: Connection, port_ids: Collection[int], direction: int, from_ms: int, to_ms: int
) -> Iterator[Any]:
    """What was told of these, the earliest end first, a handful of rows in memory at a time."""
    query = (
        select(*(_table.c[name] for name in _OF_RATES), _ports.c.name.label("port"))
        .join(_ports, _ports.c.id == _table.c.port_id)
        .where(among(connection, _table.c.port_id, list(port_ids)), _table.c.direction == direction)
        .where(_table.c.end_ms > from_ms, _table.c.start_ms < to_ms)
        .order_by(_table.c.end_ms)
    )
    yield from connection.execute(query, execution_options={"yield_per": ROWS_AT_ONCE})


def _length_ms(stretches: Iterable[Stretch]) -> int:
    """How much time these cover together."""
    covered, until = 0, 0
    for start_ms, end_ms in sorted(stretches):
        covered += max(0, end_ms - max(start_ms, until))
        until = max(until, end_ms)
    return covered


def _ends(told: str) -> Endpoints:
    return Endpoints._make(json.loads(told)) if told else Endpoints()
