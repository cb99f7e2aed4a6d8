"""From columns that were read to samples: directions, packets, ports and facts, each distinct one once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from service.feeds import columns
from service.feeds.cells import Told, listed, none_of
from service.terms import (
    COUNTERS,
    OPER_WORDS,
    ROLE_WORDS,
    UNKNOWN,
    Codes,
    Counters,
    Counts,
    FactsTable,
    Form,
    Ints,
    Parsed,
    PortName,
    Samples,
    Truths,
)

OUT, IN = "out", "in"
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

_port_name = lru_cache(maxsize=1 << 16)(PortName)  # a source names the same ports in every batch


def parsed(told: Told) -> Parsed:
    """The samples of a batch, and what of it could not be taken."""
    for name in ("time", "device", "port"):
        if name not in told.columns:  # which only a batch without any row may lack
            told.columns[name] = none_of(columns.COLUMNS[name], len(told))
    _refuse_mixed(told)
    _refuse_wide(told)
    kept = _kept(told)
    ports, port = _ports(kept)
    table, facts = _facts(kept)
    return Parsed(
        samples=_samples(kept, port, facts),
        facts=table,
        ports=ports,
        index=kept.index,
        rejects=tuple(sorted([*told.items, *told.rejects.values()], key=lambda reject: reject.index)),
    )


def distinct(parts: Sequence[np.ndarray], count: int) -> tuple[Codes, Ints]:
    """Which distinct combination each of `count` rows has, and the first row of each combination."""
    mixed = np.zeros(count, dtype=np.int64)
    for part in parts:
        values = pa.array(part).dictionary_encode()
        size = len(values.dictionary)
        if size > 1:  # at most count x count combinations: no overflow
            mixed = _codes(mixed).astype(np.int64) * size + values.indices.to_numpy()
    codes = _codes(mixed)
    firsts = np.zeros(codes.max(initial=-1) + 1, dtype=np.int64)
    firsts[codes[::-1]] = np.arange(count - 1, -1, -1)
    return codes, firsts


def _codes(values: Ints) -> Codes:
    return pa.array(values).dictionary_encode().indices.to_numpy()  # type: ignore[no-any-return]  # untyped library


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
    narrow = _numbers(told, "counter_bits", 64) == 32
    if not narrow.any():
        return
    for name in (name for name in told.columns if columns.is_counter(name)):
        values = _numbers(told, name, 0)
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
    for place, (at, (values, truths)) in enumerate(present):
        counters[:, place] = values
        known |= truths.astype(np.uint16) << np.uint16(at)
    return Samples(
        port=port,
        at_ms=_numbers(told, "time", UNKNOWN),
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
    return _numbers(told, name, 0).astype(np.uint64, copy=False), _truths(column)


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
    return np.floor(rates * factor + 0.5).astype(np.uint64), _truths(column)


def _split(told: Told, way: str) -> tuple[Counters, Truths] | None:
    """All packets where the sample tells each of the three parts, modulo the counter's width."""
    parts = [_column(told, f"{way}_{part}_packets") for part in columns.SPLIT]
    if any(part is None for part in parts):
        return None
    whole = [part for part in parts if part is not None]
    total = whole[0][0] + whole[1][0] + whole[2][0]  # uint64 wraps at 2^64, as the counter does
    narrow = _numbers(told, "counter_bits", 64) == 32
    return np.where(narrow, total & MASK_32, total), whole[0][1] & whole[1][1] & whole[2][1]


def _truths(column: pa.Array) -> Truths:
    if not column.null_count:
        return np.ones(len(column), dtype=np.bool_)
    return column.is_valid().to_numpy(zero_copy_only=False)  # type: ignore[no-any-return]  # untyped library


def _numbers(told: Told, name: str, missing: int) -> np.ndarray:
    column = told.columns.get(name)
    if column is None:
        return np.full(len(told), missing, dtype=np.int64)
    if missing < 0 and column.type == pa.uint64():
        column = column.cast(pa.int64())
    return (column.fill_null(missing) if column.null_count else column).to_numpy(zero_copy_only=False)  # type: ignore[no-any-return]  # untyped library


def _or_none(told: Told, name: str) -> Ints:
    column = told.columns.get(name)
    if column is None or column.null_count == len(column):
        return np.zeros(0, dtype=np.int64)
    return _numbers(told, name, UNKNOWN)


def _ports(told: Told) -> tuple[tuple[PortName, ...], Codes]:
    """The distinct ports by device and name; what else is told of one, by its last sample that tells it."""
    device, port = told.columns["device"], told.columns["port"]
    codes, firsts = distinct([_indices(device), _indices(port)], len(told))
    rows = pa.array(firsts)
    names = zip(
        listed(device.take(rows)),
        listed(port.take(rows)),
        _last(told, "team", codes, len(firsts), ""),
        _last(told, "method", codes, len(firsts), "unknown"),
        _last(told, "bundle", codes, len(firsts), ""),
        _last(told, "if_index", codes, len(firsts), 0),
        strict=True,
    )
    return tuple(_port_name(*name) for name in names), codes


def _last(told: Told, name: str, codes: Codes, count: int, missing: str | int) -> list[Any]:
    column = told.columns.get(name)
    if column is None or column.null_count == len(column):
        return [missing] * count
    says = np.flatnonzero(_words(told, name, bool) if name != "if_index" else _truths(column))
    rows = np.full(count, UNKNOWN, dtype=np.int64)
    rows[codes[says]] = says
    values = listed(column.take(pa.array(np.maximum(rows, 0))))
    return [missing if row < 0 else value for row, value in zip(rows.tolist(), values, strict=True)]


def _indices(encoded: pa.DictionaryArray) -> np.ndarray:
    indices = encoded.indices
    return (indices.fill_null(UNKNOWN) if indices.null_count else indices).to_numpy(zero_copy_only=False)  # type: ignore[no-any-return]  # untyped library


def _facts(told: Told) -> tuple[FactsTable, Codes]:
    """The distinct facts, and which of them each sample has."""
    facts = {
        "speed_bps": _numbers(told, "speed_bps", 0),
        "counter_bits": _numbers(told, "counter_bits", 64),
        "counts": _words(told, "counts", lambda word: columns.COUNTS_WORDS.index(word) if word else Counts.FRAME),
        "form": _form(told),
        "oper": _words(told, "oper_status", OPER_WORDS.index),
        "role": _words(told, "role", ROLE_WORDS.index),
        "mac": _words(told, "mac", lambda text: columns.mac_number(text) if text else 0),
        "mtu": _numbers(told, "mtu", 0),
        "last_change_ticks": _numbers(told, "last_change_ticks", UNKNOWN),
        "half_duplex": _words(told, "duplex", lambda word: int(word == "half")),
    }
    codes, firsts = distinct([facts[name] for name in facts if _may_vary(told, name)], len(told))
    rows = {name: values[firsts] for name, values in facts.items()}
    narrow = {"speed_bps": np.int64, "mac": np.int64, "mtu": np.int32, "last_change_ticks": np.int64}
    return FactsTable(**{name: values.astype(narrow.get(name, np.uint8)) for name, values in rows.items()}), codes


_COLUMN_OF = {"oper": "oper_status", "half_duplex": "duplex"}


def _may_vary(told: Told, fact: str) -> bool:
    if fact == "form":
        return any(f"{way}_{unit}" in told.columns for way in columns.WAYS for unit in ("bps", "kBps"))
    return _COLUMN_OF.get(fact, fact) in told.columns


def _words(told: Told, name: str, number: Callable[[str], int]) -> Ints:
    encoded = told.columns.get(name)
    if encoded is None:
        return np.full(len(told), number(""), dtype=np.int64)
    # One more at the end, which UNKNOWN points to.
    numbers = np.array([number(word or "") for word in [*listed(encoded.dictionary), ""]], dtype=np.int64)
    return numbers[_indices(encoded)]  # type: ignore[no-any-return]  # untyped library


def _form(told: Told) -> Ints:
    rates = np.zeros(len(told), dtype=np.bool_)
    for way in columns.WAYS:
        for unit in ("bps", "kBps"):
            if (column := told.columns.get(f"{way}_{unit}")) is not None:
                rates |= _truths(column)
    return np.where(rates, int(Form.RATE), int(Form.COUNTER)).astype(np.int64)
