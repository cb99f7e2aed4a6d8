"""Items held against the members that carried them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection

from service.numerics.agreement import LIMIT, difference, mean_rates
from service.numerics.intervals import intervals
from service.numerics.order import in_order
from service.storage import facts, items, samples
from service.terms import Floats, Item

# Of a shorter part of the time items tell too little to be held against the whole of it.
LEAST_TOLD = 0.9
MOST_NAMED = 200  # items of a member that are shown by name


class OnMember(NamedTuple):
    """What was told of one member: its items, their sum, and what its own counters say; None where unknown."""

    port: str
    items: tuple[Item, ...]
    items_bps: float
    member_bps: float | None
    difference: float | None  # share of the larger
    agrees: bool | None


class Compared(NamedTuple):
    """Members in their order, and of how many seconds items were told."""

    members: tuple[OnMember, ...]
    seconds: float


def compared(  # noqa: PLR0913, PLR0917  # whose, which way, and when
    connection: Connection,
    ports: Sequence[str],
    port_ids: Sequence[int],
    direction: int,
    from_ms: int,
    to_ms: int,
    width_ms: int,
) -> Compared:
    """The items of members over [from_ms, to_ms) by member, and how far their sum agrees with its counters."""
    told = items.of_ports(connection, port_ids, direction, from_ms, to_ms)
    rates = _member_rates(connection, port_ids, from_ms, to_ms, width_ms)[:, direction]
    whole = told.seconds >= LEAST_TOLD * (to_ms - from_ms) / 1000
    members = [_on(port, told.items, rate, whole) for port, rate in zip(ports, rates.tolist(), strict=True)]
    return Compared(tuple(members), told.seconds)


def _on(port: str, told: Sequence[Item], rate: float, whole: bool) -> OnMember:
    mine = tuple(item for item in told if item.port == port)
    # Whoever tells both tells the same octets twice: the kind that tells more of them counts.
    by_kind = {kind: sum(item.bps for item in mine if item.kind == kind) for kind in {item.kind for item in mine}}
    total = max(by_kind.values(), default=0.0)
    known, shown = None if np.isnan(rate) else rate, _heaviest(mine)
    if known is None or not mine or not whole:
        return OnMember(port, shown, total, known, None, None)
    by = float(difference(np.float64(total), np.float64(rate)))
    return OnMember(port, shown, total, known, by, by <= LIMIT)


def _heaviest(mine: tuple[Item, ...]) -> tuple[Item, ...]:
    """So many of a member's items by name, heaviest first, and the others of each kind as one sum."""
    named = [item for item in mine if item.name]
    if len(named) <= MOST_NAMED:
        return mine
    rest = [item for item in mine if not item.name] + named[MOST_NAMED:]
    sums = [_sum([item for item in rest if item.kind == kind]) for kind in sorted({item.kind for item in rest})]
    return tuple(sorted([*named[:MOST_NAMED], *sums], key=lambda item: -item.bps))


def _sum(of: Sequence[Item]) -> Item:
    parts = sum(max(item.parts, int(bool(item.name))) for item in of)
    return Item(of[0].kind, "", of[0].port, sum(item.bps for item in of), parts)


def _member_rates(connection: Connection, port_ids: Sequence[int], from_ms: int, to_ms: int, width_ms: int) -> Floats:
    """Mean rates in bit/s of whole frames by position, shape (n, 2); NaN where samples do not cover the time."""
    reach_ms = 2 * width_ms
    found = samples.between(connection, np.array(port_ids, dtype=np.int32), from_ms - reach_ms, to_ms + reach_ms)
    read, table = facts.pointed(connection, found)
    used = in_order(read).samples
    return mean_rates(intervals(used, table, window_ms=width_ms), table, len(port_ids), from_ms, to_ms)
