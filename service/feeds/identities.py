"""Which ports and which facts a batch tells of, each distinct one once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import pyarrow as pa

from service.feeds import cell_values, columns
from service.feeds.told import Told, indices, listed, numbers, truths, words
from service.terms import OPER_WORDS, ROLE_WORDS, UNKNOWN, Codes, Counts, FactsTable, Form, Ints, PortName

_NAMING = ("device", "port", "team", "method", "bundle", "if_index")
_REMEMBERED_OCTETS = 2 << 20  # names of 100,000 ports; what is longer is read anew each time
_port_name = lru_cache(maxsize=1 << 16)(PortName)  # so that equal names are one object, and quickly compared
_COLUMN_OF = {"oper": "oper_status", "half_duplex": "duplex"}


@dataclass(frozen=True)
class _Naming:
    """The columns that name the ports of a batch; two are the same where their octets are."""

    octets: tuple[bytes, ...]
    told: Told = field(compare=False)


def ports(told: Told) -> tuple[tuple[PortName, ...], Codes]:
    """The distinct ports by device and name; what else is told of one, by its last sample that tells it."""
    naming = {name: told.columns[name] for name in _NAMING if name in told.columns}
    octets = [part for name, column in naming.items() for part in (name.encode(), *_octets(column))]
    asked = _Naming(tuple(octets), Told(told.index, naming))
    return (_named if sum(map(len, octets)) <= _REMEMBERED_OCTETS else _named.__wrapped__)(asked)


@lru_cache(maxsize=32)  # a source names the same ports in the same order in every batch
def _named(naming: _Naming) -> tuple[tuple[PortName, ...], Codes]:
    told = naming.told
    device, port = told.columns["device"], told.columns["port"]
    codes, firsts = distinct([indices(device), indices(port)], len(told))
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


def facts(told: Told) -> tuple[FactsTable, Codes]:
    """The distinct facts, and which of them each sample has."""
    facts = {
        "speed_bps": _speeds(told),
        "counter_bits": numbers(told, "counter_bits", 64),
        "counts": words(told, "counts", lambda word: columns.COUNTS_WORDS.index(word) if word else Counts.FRAME),
        "form": _form(told),
        "oper": words(told, "oper_status", OPER_WORDS.index),
        "role": words(told, "role", ROLE_WORDS.index),
        "mac": words(told, "mac", lambda text: cell_values.mac_number(text) if text else 0),
        "mtu": numbers(told, "mtu", 0),
        "last_change_ticks": numbers(told, "last_change_ticks", UNKNOWN),
        "half_duplex": words(told, "duplex", lambda word: int(word == "half")),
    }
    codes, firsts = distinct([facts[name] for name in facts if _may_vary(told, name)], len(told))
    rows = {name: values[firsts] for name, values in facts.items()}
    narrow = {"speed_bps": np.int64, "mac": np.int64, "mtu": np.int32, "last_change_ticks": np.int64}
    return FactsTable(**{name: values.astype(narrow.get(name, np.uint8)) for name, values in rows.items()}), codes


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


def _octets(column: pa.Array) -> list[bytes]:
    """What tells a column from every other one, its padding included."""
    if pa.types.is_dictionary(column.type):
        return [indices(column).tobytes(), *_octets(column.dictionary)]
    held = [bytes(buffer) if buffer else b"-" for buffer in column.buffers()]
    return [b"%d %d" % (len(column), column.offset), *held]


def _codes(values: Ints) -> Codes:
    return pa.array(values).dictionary_encode().indices.to_numpy()  # type: ignore[no-any-return]  # untyped library


def _last(told: Told, name: str, codes: Codes, count: int, missing: str | int) -> list[Any]:
    column = told.columns.get(name)
    if column is None or column.null_count == len(column):
        return [missing] * count
    says = np.flatnonzero(words(told, name, bool) if name != "if_index" else truths(column))
    rows = np.full(count, UNKNOWN, dtype=np.int64)
    rows[codes[says]] = says
    values = listed(column.take(pa.array(np.maximum(rows, 0))))
    return [missing if row < 0 else value for row, value in zip(rows.tolist(), values, strict=True)]


def _speeds(told: Told) -> Ints:
    """Speeds, 0 where unknown: a 32-bit gauge at its end says only that the port is faster (RFC 2863, ifSpeed)."""
    speeds = numbers(told, "speed_bps", 0)
    return np.where(speeds == columns.MOST_32, 0, speeds)


def _may_vary(told: Told, fact: str) -> bool:
    if fact == "form":
        return any(f"{way}_{unit}" in told.columns for way in columns.WAYS for unit in ("bps", "kBps"))
    return _COLUMN_OF.get(fact, fact) in told.columns


def _form(told: Told) -> Ints:
    rates = np.zeros(len(told), dtype=np.bool_)
    for way in columns.WAYS:
        for unit in ("bps", "kBps"):
            if (column := told.columns.get(f"{way}_{unit}")) is not None:
                rates |= truths(column)
    return np.where(rates, int(Form.RATE), int(Form.COUNTER)).astype(np.int64)
