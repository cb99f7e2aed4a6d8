"""From columns that were read to samples: what contradicts itself refused, directions and packets in their places."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from service.feeds import columns, identities
from service.feeds.told import Told, none_of, numbers, truths
from service.terms import COUNTERS, UNKNOWN, Codes, Counters, Ints, Parsed, Samples, Truths

MASK_32 = np.uint64(columns.MOST_32)
# The pairs of columns that say the same thing in two ways.
_PAIRS = tuple(
    (one, other)
    for way in columns.WAYS
    for one, other in (
        (f"{way}_bps", f"{way}_kBps"),
        (f"{way}_packets", f"{way}_ucast_packets"),
        *((f"{way}_{unit}", f"{octets}_octets") for unit in ("bps", "kBps") for octets in columns.WAYS),
    )
)


def parsed(told: Told) -> Parsed:
    """The samples of a batch, and what of it could not be taken."""
    for name in ("time", "device", "port"):
        if name not in told.columns:  # which only a batch without any row may lack
            told.columns[name] = none_of(columns.COLUMNS[name], len(told))
    _refuse_mixed(told)
    _refuse_wide(told)
    kept = _kept(told)
    ports, port = identities.ports(kept)
    table, facts = identities.facts(kept)
    return Parsed(
        samples=_samples(kept, port, facts),
        facts=table,
        ports=ports,
        index=kept.index,
        rejects=tuple(sorted([*told.items, *told.rejects.values()], key=lambda reject: reject.index)),
    )


def _refuse_mixed(told: Told) -> None:
    for one, other in _PAIRS:
        if one in told.columns and other in told.columns:
            both = pc.and_(told.columns[one].is_valid(), told.columns[other].is_valid())
            for row in np.flatnonzero(both.to_numpy(zero_copy_only=False)).tolist():
                told.refuse(row, columns.mixed({one, other}))


def _refuse_wide(told: Told) -> None:
    """A 32-bit counter cannot show more than 32 bits."""
    if "counter_bits" not in told.columns:
        return
    narrow = numbers(told, "counter_bits", 64) == 32
    if not narrow.any():
        return
    for name in (name for name in told.columns if columns.is_counter(name)):
        values = numbers(told, name, 0)
        for row in np.flatnonzero(narrow & (values > columns.MOST_32)).tolist():
            told.refuse(row, "is more than 2^32-1, yet counter_bits is 32; say 64", name, str(values[row]))


def _kept(told: Told) -> Told:
    if not told.rejects:
        return told
    keep = np.ones(len(told), dtype=np.bool_)
    keep[list(told.rejects)] = False
    mask = pa.array(keep)
    rows = {name: column.filter(mask) for name, column in told.columns.items()}
    return Told(told.index[keep], rows, kilo=told.kilo)


def _samples(told: Told, port: Codes, facts: Codes) -> Samples:
    present = [(at, found) for at in range(len(COUNTERS)) if (found := _counter(told, at)) is not None]
    counters = np.empty((len(told), len(present)), dtype=np.uint64)
    known = np.zeros(len(told), dtype=np.uint16)
    for place, (at, (values, is_told)) in enumerate(present):
        counters[:, place] = values
        known |= is_told.astype(np.uint16) << np.uint16(at)
    return Samples(
        port=port,
        at_ms=numbers(told, "time", UNKNOWN),
        facts=facts,
        known=known,
        counters=counters,
        received_ms=_or_none(told, "received_at"),
        uptime_ticks=_or_none(told, "uptime_ticks"),
        discontinuity_ticks=_or_none(told, "discontinuity_ticks"),
        columns=tuple(at for at, _ in present),
    )


def _counter(told: Told, at: int) -> tuple[Counters, Truths] | None:
    """The values of one counter and which rows tell it; None where no row does."""
    name = COUNTERS[at]
    found = _column(told, name)
    if name.endswith("_octets"):
        way = name.removesuffix("_octets")
        for unit in ("bps", "kBps"):
            found = _either(found, _rate(told, f"{way}_{unit}"))
    elif name in ("in_packets", "out_packets"):
        found = _either(found, _split(told, name.removesuffix("_packets")))
    return None if found is None or not found[1].any() else found


def _column(told: Told, name: str) -> tuple[Counters, Truths] | None:
    column = told.columns.get(name)
    if column is None or column.null_count == len(column):
        return None
    return numbers(told, name, 0).astype(np.uint64, copy=False), truths(column)


def _either(
    one: tuple[Counters, Truths] | None, other: tuple[Counters, Truths] | None
) -> tuple[Counters, Truths] | None:
    if one is None or other is None:
        return one or other
    return np.where(other[1], other[0], one[0]), one[1] | other[1]


def _rate(told: Told, name: str) -> tuple[Counters, Truths] | None:
    column = told.columns.get(name)
    if column is None:
        return None
    factor = columns.COLUMNS[name].per_unit * (told.kilo if name.endswith("kBps") else 1)
    rates = column.fill_null(0.0).to_numpy(zero_copy_only=False)
    return np.floor(rates * factor + 0.5).astype(np.uint64), truths(column)


def _split(told: Told, way: str) -> tuple[Counters, Truths] | None:
    """All packets where the sample tells each of the three parts, modulo the counter's width."""
    parts = [_column(told, f"{way}_{part}_packets") for part in columns.SPLIT]
    if any(part is None for part in parts):
        return None
    whole = [part for part in parts if part is not None]
    total = whole[0][0] + whole[1][0] + whole[2][0]  # uint64 wraps at 2^64, as the counter does
    narrow = numbers(told, "counter_bits", 64) == 32
    return np.where(narrow, total & MASK_32, total), whole[0][1] & whole[1][1] & whole[2][1]


def _or_none(told: Told, name: str) -> Ints:
    column = told.columns.get(name)
    if column is None or column.null_count == len(column):
        return np.zeros(0, dtype=np.int64)
    return numbers(told, name, UNKNOWN)
