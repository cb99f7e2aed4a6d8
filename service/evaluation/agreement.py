"""Readings of the same traffic held against each other: a team's members and its interface, both ends of a cable.

Over the last five whole minutes, on octets as they were counted. What differs by more than 2 %
is an event, said once an hour while it lasts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from operator import attrgetter
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection, Engine

from service.evaluation.plan import Policy
from service.numerics.agreement import LIMIT, difference, mean_rates
from service.numerics.intervals import intervals
from service.numerics.order import in_order
from service.rules import words
from service.rules.event_texts import TEXTS
from service.rules.events import ANEW_MS
from service.storage import agreements, claims, database, events, facts, heard, membership, samples
from service.storage.agreements import CABLE, SUM, Agreement
from service.storage.claims import Place
from service.storage.heard import Heard
from service.terms import DIRECTIONS, EGRESS, INGRESS, DataEvent, Floats, Ints, Span

MINUTE_MS = 60_000
COMPARED_MS = 5 * MINUTE_MS
FORGOTTEN_MS = 10 * MINUTE_MS  # what can no longer be compared is not shown as if it still were
AT_ONCE = 500  # comparisons whose samples are read at a time; with more than twice as many they take turns
# Below this what an agent itself sends and leaves uncounted is a good part of it (this project's rule).
LEAST_BPS = 1_000_000
CLOCKS_APART = 10  # clocks may be this part of a window apart
KINDS = {SUM: "sum-differs", CABLE: "ends-differ"}
NOT_COMPARABLE = "not-comparable"


class Pair(NamedTuple):
    """What is compared: the ports whose sum is on this side, the one on the other; `name` is the team or the port."""

    what: str
    device: str
    name: str
    here: tuple[Place, ...]
    there: Place

    @property
    def ways(self) -> tuple[tuple[int, int], ...]:
        """The direction here, and there: what goes out at one end of a cable comes in at the other."""
        return ((EGRESS, EGRESS), (INGRESS, INGRESS)) if self.what == SUM else ((EGRESS, INGRESS), (INGRESS, EGRESS))

    @property
    def about(self) -> Place:
        """The port that an event is about."""
        return self.there if self.what == SUM else self.here[0]


class Measured(NamedTuple):
    """Mean rates in bit/s and how far the clock is off, by port; NaN where unknown."""

    rates: Mapping[Place, Floats]
    offset_ms: Mapping[Place, float]


def compare(engine: Engine, policy: Policy, now_ms: int) -> int:
    """Compare whatever can be, keep how it agrees, and say where it does not; how many events were new."""
    to_ms = (now_ms - max(policy.lateness_ms.values(), default=0)) // MINUTE_MS * MINUTE_MS
    span = Span(to_ms - COMPARED_MS, 1, COMPARED_MS)
    with database.reading(engine) as connection:
        known, every = _pairs(connection, span.first_ms)
    pairs = _in_turn(every, to_ms)
    said = 0
    for first in range(0, len(pairs), AT_ONCE):
        some = pairs[first : first + AT_ONCE]
        with database.reading(engine) as connection:
            measured = _measured(connection, some, known, span, policy.width_ms)
        found = [row for pair in some for row in _agreed(pair, measured, policy.width_ms, to_ms)]
        told = [*_differing(some, found, to_ms), *_apart(some, measured, policy.width_ms, to_ms)]
        said += database.retried(engine, partial(_keep, found=found, told=told, at_ms=to_ms))
    database.retried(engine, lambda connection: agreements.forget_before(connection, to_ms - FORGOTTEN_MS))
    return said


def _keep(connection: Connection, *, found: Sequence[Agreement], told: Sequence[DataEvent], at_ms: int) -> int:
    agreements.keep(connection, found)
    return events.keep(connection, _not_said_lately(connection, told, at_ms))


def _in_turn(pairs: Sequence[Pair], at_ms: int) -> Sequence[Pair]:
    """Those whose turn it is: of many a part each minute, and all of them within the time that is compared.

    Those of one device are together, so that what they share is read once.
    """
    turns = max(1, min(COMPARED_MS // MINUTE_MS, len(pairs) // AT_ONCE))
    turn, size = at_ms // MINUTE_MS % turns, -(-len(pairs) // turns)
    return sorted(pairs, key=attrgetter("device"))[turn * size : (turn + 1) * size]


def _pairs(connection: Connection, from_ms: int) -> tuple[dict[Place, Heard], list[Pair]]:
    """All that can be compared of the time from an instant on, and the ports that are known of it.

    A member that came or left meanwhile has carried traffic beside its team: its sum is not compared.
    """
    whole, ends = claims.interfaces(connection), claims.far_ends(connection)
    devices = {device for device, _ in (*whole, *ends, *ends.values())}
    known = heard.known(connection, devices)
    changed = membership.changed_since(connection, from_ms)
    members: dict[tuple[str, str], list[Place]] = {}
    for place, one in known.items():
        if one.team and place not in whole:
            members.setdefault((place[0], one.team), []).append(place)
    sums = [
        Pair(SUM, place[0], team, tuple(members[place[0], team]), place)
        for place, team in whole.items()
        if place in known and (place[0], team) in members and (place[0], team) not in changed
    ]
    cables = [
        Pair(CABLE, *place, (place,), far)
        for place, far in ends.items()
        if place in known and far in known and not (ends.get(far) == place and far < place)
    ]
    return known, sums + cables


def _measured(
    connection: Connection, pairs: Sequence[Pair], known: Mapping[Place, Heard], span: Span, window_ms: int
) -> Measured:
    places = sorted({place for pair in pairs for place in (*pair.here, pair.there)})
    port_ids = np.array([known[place].port_id for place in places], dtype=np.int32)
    reach_ms = 2 * window_ms
    found = samples.between(connection, port_ids, span.first_ms - reach_ms, span.end_ms + reach_ms)
    read, table = facts.pointed(connection, found)
    used = in_order(read).samples
    told = intervals(used, table, window_ms=window_ms)
    rates = mean_rates(told, table, len(places), span.first_ms, span.end_ms)
    offsets = _offsets(used.port, used.received_ms, used.at_ms, len(places))
    return Measured(dict(zip(places, rates, strict=True)), dict(zip(places, offsets.tolist(), strict=True)))


def _offsets(port: np.ndarray, received_ms: Ints, at_ms: Ints, n_ports: int) -> Floats:
    """The median of received less told of each port, NaN where nobody noted when its samples were received."""
    rows = np.flatnonzero(received_ms >= 0)
    late = received_ms[rows] - at_ms[rows]
    mine = port[rows]
    order = np.lexsort((late, mine))
    first, end = (np.searchsorted(mine[order], np.arange(n_ports), side) for side in ("left", "right"))
    offsets = np.full(n_ports, np.nan)
    there = np.flatnonzero(end > first)
    middle = (first[there] + end[there] - 1) // 2, (first[there] + end[there]) // 2
    offsets[there] = (late[order][middle[0]] + late[order][middle[1]]) / 2
    return offsets


def _agreed(pair: Pair, measured: Measured, window_ms: int, at_ms: int) -> Iterator[Agreement]:
    if pair.what == CABLE and _clocks_apart_ms(pair, measured) * CLOCKS_APART >= window_ms:
        return
    for here, there in pair.ways:
        ours = sum(measured.rates[place][here] for place in pair.here)
        theirs = measured.rates[pair.there][there]
        if np.isnan(ours) or np.isnan(theirs) or max(ours, theirs) < LEAST_BPS:
            continue
        by = float(difference(np.float64(ours), np.float64(theirs)))
        yield Agreement(
            *(pair.what, pair.device, pair.name, here, " ".join(pair.there)),
            *(round(float(ours)), round(float(theirs)), by, by <= LIMIT, at_ms),
        )


def _clocks_apart_ms(pair: Pair, measured: Measured) -> float:
    """How far the clocks of two ends are apart; nothing where one device, or nobody told."""
    if pair.here[0][0] == pair.there[0]:
        return 0.0
    apart = abs(measured.offset_ms[pair.here[0]] - measured.offset_ms[pair.there])
    return 0.0 if np.isnan(apart) else apart


def _differing(pairs: Sequence[Pair], found: Iterable[Agreement], at_ms: int) -> Iterator[DataEvent]:
    by_name = {(pair.what, pair.device, pair.name): pair for pair in pairs}
    for row in found:
        if not row.agrees:
            about = by_name[row.what, row.device, row.name].about
            yield DataEvent(*about, at_ms, KINDS[row.what], _figures(row))


def _figures(row: Agreement) -> str:
    way = DIRECTIONS[row.direction]
    here, there = words.rate(row.here_bps), words.rate(row.there_bps)
    ours = f"the members of team {row.name}" if row.what == SUM else f"{row.device} {row.name}"
    return (
        f"{way}: {ours} {here}, {row.against} {there}, {words.percent(row.difference)} apart: {TEXTS[KINDS[row.what]]}"
    )


def _apart(pairs: Sequence[Pair], measured: Measured, window_ms: int, at_ms: int) -> Iterator[DataEvent]:
    for pair in pairs:
        apart_ms = _clocks_apart_ms(pair, measured) if pair.what == CABLE else 0.0
        if apart_ms * CLOCKS_APART >= window_ms:
            text = f"{' '.join(pair.there)}: clocks {apart_ms / 1000:.3g} s apart: {TEXTS[NOT_COMPARABLE]}"
            yield DataEvent(*pair.about, at_ms, NOT_COMPARABLE, text)


def _not_said_lately(connection: Connection, told: Sequence[DataEvent], at_ms: int) -> list[DataEvent]:
    """Those of which nothing was said within the hour; of several about one port the first."""
    lately: set[tuple[str, str, str]] = set()
    for device, kind in sorted({(event.device, event.kind) for event in told}):
        kept = events.listing(connection, device=device, kind=kind, since_ms=at_ms - ANEW_MS + 1, limit=AT_ONCE)
        lately |= {(device, one.event.port, kind) for one in kept.items}
    fresh = []
    for event in told:
        key = (event.device, event.port, event.kind)
        if key not in lately:
            lately.add(key)
            fresh.append(event)
    return fresh
