"""What tells whether sources are heard: a few columns of every device and agent, read and marked in one go."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, case, false, func, null, or_, select, text

from service.storage import tables
from service.storage.dialects import among, by_letters, given

_devices, _agents = tables.devices, tables.agents


class Pulse(NamedTuple):
    """When a source was heard, and how often it should be.

    A device that is polled but was never heard has no id. The fields from `asked_every_ms` on are
    those of a device that this service polls, None and empty of all others.
    """

    device: str
    device_id: int | None
    feed: str
    last_sample_ms: int | None
    last_received_ms: int | None
    interval_ms: int | None
    refresh_ms: int | None
    clock_offset_ms: int | None
    silent_since_ms: int | None
    asked_every_ms: int | None = None
    usual_ms: int | None = None  # as asked for, before it was stretched
    polled_since_ms: int | None = None
    answered_ms: int | None = None
    clear_text: bool | None = None
    version: str = ""  # of the protocol
    polls: int = 0
    lost: int = 0
    trouble: str = ""


class Mark(NamedTuple):
    """A device to be marked: since when it is silent, or was; as it was known when that was judged."""

    device_id: int
    since_ms: int
    received_ms: int


_POLLED = (
    _agents.c.stretched_ms,
    _agents.c.interval_ms,
    _agents.c.since_ms,
    _agents.c.answered_ms,
    _agents.c.clear_text,
    _agents.c.version,
    _agents.c.polls,
    _agents.c.lost,
    _agents.c.trouble,
)
_HEARD = ("last_sample_ms", "last_received_ms", "interval_ms", "refresh_ms", "clock_offset_ms", "silent_since_ms")


def steady(now_ms: int, ending_feeds: Collection[str]) -> ColumnElement[bool]:
    """Devices of which something came within their own interval: heard, whatever else is asked of a source.

    Where nobody polls, `ending_feeds` are those of which no more is expected.
    """
    every_ms = func.coalesce(
        case((_agents.c.device.is_not(None), _agents.c.stretched_ms), else_=_devices.c.interval_ms), 0
    )
    return and_(
        _devices.c.silent_since_ms.is_(None),
        _devices.c.last_sample_ms.is_not(None),
        _devices.c.last_received_ms > now_ms - every_ms,
        or_(_agents.c.device.is_not(None), _devices.c.feed.not_in(ending_feeds)),
    )


def calm() -> ColumnElement[bool]:
    """Sources that are polled as often as was asked for and without trouble, or are not polled at all."""
    no_trouble = and_(_agents.c.trouble == "", _agents.c.stretched_ms <= _agents.c.interval_ms)
    return or_(_agents.c.device.is_(None), no_trouble)


def clear_text_first(
    connection: Connection,
    wanted: ColumnElement[bool],
    words: Sequence[str],
    after: tuple[bool, str] | None,
    limit: int,
) -> list[Pulse]:
    """At most so many devices with these parts of names of which this holds: in clear text first, then by name.

    `after` is the place after which the list goes on: whether in clear text, and the name.
    """
    in_clear = func.coalesce(_agents.c.clear_text, false())
    named = (_devices.c.name.icontains(word, autoescape=True) for word in words)
    name = by_letters(connection, _devices.c.name)
    query = _known().where(wanted, *named).order_by(in_clear.desc(), name).limit(limit)
    if after is not None:
        further = and_(in_clear.is_(after[0]), name > after[1])
        query = query.where(or_(further, in_clear.is_(False)) if after[0] else further)
    return [_whole(Pulse._make(row)) for row in connection.execute(query)]


def how_many(connection: Connection, wanted: ColumnElement[bool]) -> int:
    """How many devices there are of which this holds."""
    polled = tables.devices.outerjoin(_agents, _agents.c.device == _devices.c.name)
    return connection.scalar(select(func.count()).select_from(polled).where(wanted)) or 0


class Polled(NamedTuple):
    """How many devices are polled, how many more rarely than asked for, how many in clear text, and some of these."""

    devices: int
    stretched: int
    clear: int
    in_clear: tuple[tuple[str, str], ...]  # device and version, by name


def polled(connection: Connection, most: int) -> Polled:
    """How devices are polled; at most so many of them named."""
    is_clear = _agents.c.clear_text.is_(True)
    stretched = _agents.c.stretched_ms > _agents.c.interval_ms
    counts = select(func.count(), func.count().filter(stretched), func.count().filter(is_clear)).select_from(_agents)
    some = select(_agents.c.device, _agents.c.version).where(is_clear).order_by(_agents.c.device).limit(most)
    named = tuple((row[0], row[1]) for row in connection.execute(some))
    return Polled(*connection.execute(counts).one(), named)


def pulses(
    connection: Connection, devices: Collection[str] | None = None, but: ColumnElement[bool] | None = None
) -> list[Pulse]:
    """Every source: devices that have told something, and those that are polled; of some names, but for some."""
    known = _known()
    unheard = select(_agents.c.device, null(), null(), *(null() for _ in _HEARD), *_POLLED)
    unheard = unheard.outerjoin(_devices, _agents.c.device == _devices.c.name).where(_devices.c.id.is_(None))
    if but is not None:
        known = known.where(~func.coalesce(but, false()))
    if devices is not None:
        known = known.where(among(connection, _devices.c.name, devices))
        unheard = unheard.where(among(connection, _agents.c.device, devices))
    return [_whole(Pulse._make(row)) for query in (known, unheard) for row in connection.execute(query)]


def _known() -> Select[Any]:
    told = select(_devices.c.name, _devices.c.id, _devices.c.feed, *(_devices.c[name] for name in _HEARD), *_POLLED)
    return told.outerjoin(_agents, _agents.c.device == _devices.c.name)


def _whole(pulse: Pulse) -> Pulse:
    if pulse.polled_since_ms is None:
        return pulse._replace(version="", polls=0, lost=0, trouble="")
    return pulse if pulse.feed else pulse._replace(feed="snmp")


def fall_silent(connection: Connection, marks: Sequence[Mark]) -> set[int]:
    """Note since when devices are silent; those that were not silent yet and have told nothing meanwhile."""
    return _marked(connection, marks, "given.since_ms", "silent_since_ms IS NULL")


def hear_again(connection: Connection, marks: Sequence[Mark]) -> set[int]:
    """Note that devices are silent no more; those that were silent since then."""
    return _marked(connection, marks, "NULL", "silent_since_ms = given.since_ms")


def _marked(connection: Connection, marks: Sequence[Mark], value: str, condition: str) -> set[int]:
    if not marks:
        return set()
    ordered = sorted(marks)
    columns = {name: [getattr(mark, name) for mark in ordered] for name in Mark._fields}
    source, told = given(connection, columns)
    statement = (
        f"UPDATE devices SET silent_since_ms = {value} FROM {source}"  # noqa: S608  # words from here
        f" WHERE id = given.device_id AND {condition} AND coalesce(last_received_ms, 0) = given.received_ms"
        " RETURNING id"
    )
    return {row.id for row in connection.execute(text(statement), told)}
