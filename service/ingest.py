"""Taking samples in: what a feed has parsed is checked against the clock and the inventory, and kept.

One batch is one transaction, committed before anyone is told: samples, the ports that are
new, the facts, what is to be evaluated, and what there is to say about the data.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import Connection, Engine

from service.errors import FullTeam, UnknownPort
from service.feeds.limits import IngestLimits
from service.storage import arrivals, database, events, facts, inventory, samples, seats
from service.storage.seats import Seats
from service.terms import MOST_MEMBERS, Codes, DataEvent, Ints, Parsed, Reject, Truths

__all__ = ["IngestLimits", "Taken", "keep", "rehearse"]

CONFLICT = "conflict"
_CONFLICT_TEXT = (
    "Two samples of this port have the same time and different values; the first stays."
    " Check whether two collectors read this port, or one labels its samples wrongly."
)
_CONFLICT_REASON = "is known with other values, which stay; look for a second collector of this port"
_SECOND_MS = 1000
_HOUR_MS = 3_600_000


@dataclass(frozen=True)
class Taken:
    """What became of a batch: how many samples are new, how many were known, and which were not taken."""

    accepted: int
    duplicates: int
    rejected: tuple[Reject, ...]


@dataclass(frozen=True)
class _Terms:
    """On what terms a batch is taken."""

    feed: str
    now_ms: int
    limits: IngestLimits


class _Rehearsed(Exception):  # not an error: it undoes a transaction on purpose
    """Carries the answer out of a transaction that must not be committed."""

    def __init__(self, taken: Taken) -> None:
        super().__init__()
        self.taken = taken


def keep(  # noqa: PLR0913  # what a batch comes with
    engine: Engine,
    parsed: Parsed,
    *,
    feed: str,
    now_ms: int,
    limits: IngestLimits | None = None,
    dry_run: bool = False,
) -> Taken:
    """Keep a batch and say what became of it; a dry run says the same and keeps nothing."""
    terms = _Terms(feed, now_ms, limits or IngestLimits())

    def work(connection: Connection) -> Taken:
        taken = _kept(connection, parsed, terms)
        if dry_run:
            raise _Rehearsed(taken)
        return taken

    try:
        return database.retried(engine, work)
    except _Rehearsed as rehearsal:
        return rehearsal.taken


def rehearse(
    engine: Engine, pieces: Iterable[Parsed], *, feed: str, now_ms: int, limits: IngestLimits | None = None
) -> Iterator[Taken]:
    """A dry run of several batches that are to follow each other, so that one sees what another would have kept."""
    terms = _Terms(feed, now_ms, limits or IngestLimits())
    with engine.connect() as connection, connection.begin() as transaction:
        try:
            for parsed in pieces:
                yield _kept(connection, parsed, terms)
        finally:
            transaction.rollback()


def _kept(connection: Connection, parsed: Parsed, terms: _Terms) -> Taken:
    refused = list(parsed.rejects)
    timely = _timely(parsed, terms, refused)
    seated = _seated(connection, parsed, timely, terms)
    port_ids = seated.port_ids[parsed.samples.port]
    resolved = timely & (port_ids > 0)
    rows = np.flatnonzero(resolved)
    chosen = parsed.samples
    if len(rows) < len(chosen):
        _refuse_unknown(parsed, timely & ~resolved, refused)
        chosen, port_ids = chosen.take(rows), port_ids[rows]
    facts_ids = facts.ids(connection, parsed.facts)
    kept = samples.keep(connection, chosen, port_ids, facts_ids[chosen.facts])
    _note_arrivals(connection, seated, chosen.port[kept.accepted], chosen.at_ms[kept.accepted], terms)
    _tell_conflicts(connection, parsed, rows[kept.conflict], refused)
    return Taken(
        accepted=int(kept.accepted.sum()),
        duplicates=int(kept.duplicate.sum()),
        rejected=tuple(sorted(refused, key=lambda reject: reject.index)),
    )


def _timely(parsed: Parsed, terms: _Terms, refused: list[Reject]) -> Truths:
    """Which samples lie neither too far ahead nor further back than samples are kept."""
    ahead_ms = parsed.samples.at_ms - terms.now_ms
    early, late = ahead_ms > terms.limits.future_ms, -ahead_ms > terms.limits.retention_ms
    for row in np.flatnonzero(early | late).tolist():
        by_ms = int(ahead_ms[row])
        why = _ahead(by_ms, terms.limits) if by_ms > 0 else _behind(-by_ms, terms.limits)
        refused.append(_untimely(parsed, row, why))
    return ~(early | late)


def _untimely(parsed: Parsed, row: int, reason: str) -> Reject:
    time = _written(int(parsed.samples.at_ms[row]))
    return Reject(int(parsed.index[row]), f"time: {time} {reason}", "time", time)


def _written(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _ahead(by_ms: int, limits: IngestLimits) -> str:
    return (
        f"lies {by_ms // _SECOND_MS} s ahead of this service's clock, more than {limits.future_ms // _SECOND_MS} s;"
        " set the clock of the source right, or mind the zone of its times"
    )


def _behind(by_ms: int, limits: IngestLimits) -> str:
    return (
        f"lies {by_ms // _HOUR_MS} h back, longer than the {limits.retention_ms // _HOUR_MS} h that samples are kept;"
        " raise the retention of samples, or evaluate the file offline"
    )


def _seated(connection: Connection, parsed: Parsed, timely: Truths, terms: _Terms) -> Seats:
    """Where each port of the batch belongs; only a port with a timely sample is registered."""
    wanted = np.zeros(len(parsed.ports), dtype=np.bool_)
    wanted[parsed.samples.port[timely]] = True
    if wanted.all():
        return seats.of(connection, parsed.ports, feed=terms.feed, now_ms=terms.now_ms)
    names = [parsed.ports[port] for port in np.flatnonzero(wanted).tolist()]
    found = seats.of(connection, names, feed=terms.feed, now_ms=terms.now_ms)
    ids = np.zeros((3, len(wanted)), dtype=np.int32)
    ids[:, wanted] = found.port_ids, found.device_ids, found.team_ids
    return Seats(parsed.ports, *ids)


def _refuse_unknown(parsed: Parsed, unknown: Truths, refused: list[Reject]) -> None:
    for row in np.flatnonzero(unknown).tolist():
        name = parsed.ports[parsed.samples.port[row]]
        if name.team:
            full = FullTeam(name.device, name.team, MOST_MEMBERS)
            refused.append(Reject(int(parsed.index[row]), f"team: {full}", "team", name.team))
        else:
            unheard = UnknownPort(name.device, name.port)
            refused.append(Reject(int(parsed.index[row]), f"port: {unheard}", "port", name.port))


def _note_arrivals(connection: Connection, seated: Seats, port: Codes, at_ms: Ints, terms: _Terms) -> None:
    """Note what is new: of each team the oldest sample, of each device the newest."""
    if not len(port):
        return
    touched, oldest = _extreme(seated.team_ids[port], at_ms, np.minimum)
    some_team = touched > 0
    arrivals.note(connection, touched[some_team], oldest[some_team])
    seen, newest = _extreme(seated.device_ids[port], at_ms, np.maximum)
    inventory.note_samples(connection, seen, newest, terms.now_ms, feed=terms.feed)


def _extreme(group: Codes, at_ms: Ints, which: np.ufunc) -> tuple[Codes, Ints]:
    """The distinct groups, and the least or greatest time of each."""
    order = np.argsort(group, kind="stable")
    ordered = group[order]
    starts = np.flatnonzero(np.diff(ordered, prepend=-1))
    return ordered[starts], which.reduceat(at_ms[order], starts)


def _tell_conflicts(connection: Connection, parsed: Parsed, rows: Ints, refused: list[Reject]) -> None:
    if not len(rows):
        return
    told: list[DataEvent] = []
    for row in rows.tolist():
        name, at_ms = parsed.ports[parsed.samples.port[row]], int(parsed.samples.at_ms[row])
        told.append(DataEvent(name.device, name.port, at_ms, CONFLICT, _CONFLICT_TEXT))
        refused.append(_untimely(parsed, row, _CONFLICT_REASON))
    events.keep(connection, told)
