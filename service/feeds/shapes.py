"""Samples as objects: quickly where all have the same fields, one by one where they differ."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from operator import attrgetter
from typing import Any

import msgspec
import numpy as np

from service.feeds import assembly, cells, columns
from service.feeds.columns import Sort
from service.feeds.json_text import UNREADABLE, Twice
from service.feeds.told import Told
from service.terms import Ints, Parsed

_KIND_OF: dict[Sort, Any] = {
    Sort.TIME: str | int | float,
    Sort.NUMBER: int | None,
    Sort.RATE: int | float | None,
    Sort.NAME: str | None,
    Sort.WORD: str | None,
    Sort.MAC: str | None,
}
# The types that such a struct leaves to its fields; a time may be of several.
_TYPES_OF = {
    Sort.NUMBER: frozenset((int,)),
    Sort.RATE: frozenset((int, float)),
    Sort.NAME: frozenset((str,)),
    Sort.WORD: frozenset((str,)),
    Sort.MAC: frozenset((str,)),
}
_MOST_NAMES = 200  # more fields, or longer names, are no sample
_LONGEST_NAME = 255


@lru_cache(maxsize=64)
def shape(names: tuple[str, ...]) -> type[msgspec.Struct] | None:
    """A struct with exactly these fields; None where samples cannot have them."""
    if wrong_with(names) or not all(name.isidentifier() for name in names):
        return None
    fields = [(name, Any if columns.own(name) else _KIND_OF[columns.COLUMNS[name].sort]) for name in names]
    return msgspec.defstruct("Sample", fields, forbid_unknown_fields=True, gc=False)


def wrong_with(names: tuple[str, ...]) -> str:
    """What is wrong with the fields of a sample; empty where nothing is."""
    if len(names) > _MOST_NAMES or max(map(len, names), default=0) > _LONGEST_NAME:
        return f"has more than {_MOST_NAMES} fields, or a name of more than {_LONGEST_NAME} characters"
    return columns.unusable(names, mixing=True)


def names_of(first: bytes) -> tuple[str, ...]:
    """The fields of the first sample of a batch; none where it cannot be read."""
    try:
        said = msgspec.json.decode(first)
    except (*UNREADABLE, RecursionError):
        return ()
    fit = isinstance(said, dict) and not wrong_with(tuple(said))
    return tuple(said) if fit else ()


def alike(structs: Sequence[msgspec.Struct], names: tuple[str, ...], index: Ints) -> Parsed:
    """The samples of structs that all have the same fields."""
    told = Told(index)
    for name in names:
        if not columns.own(name):
            column = columns.COLUMNS[name]
            cells.take_values(told, column, list(map(attrgetter(name), structs)), _TYPES_OF.get(column.sort))
    return assembly.parsed(told)


def each(items: Sequence[Any], index: Sequence[int], unread: Sequence[tuple[int, str]] = ()) -> Parsed:
    """The samples of objects that may have different fields; `unread` are items that were refused before."""
    wrong = _wrong_items(items)
    good = [row for row, reason in enumerate(wrong) if not reason]
    told = Told(np.array([index[row] for row in good], dtype=np.int64))
    told.refuse_items([*unread, *((index[row], reason) for row, reason in enumerate(wrong) if reason)])
    some = [items[row] for row in good]
    for name in _told_by(some):
        cells.take_values(told, columns.COLUMNS[name], [item.get(name) for item in some])
    return assembly.parsed(told)


def _told_by(items: Sequence[dict[str, Any]]) -> list[str]:
    names = dict.fromkeys(name for fields in {tuple(item) for item in items} for name in fields)
    return [name for name in names if not columns.own(name)]


def _wrong_items(items: Sequence[Any]) -> list[str]:
    """Why each item is no sample, empty where it is one; looked into once for each set of fields."""
    wrong: dict[tuple[str, ...], str] = {}
    reasons = []
    for item in items:
        if type(item) is not dict:
            reasons.append(_no_sample(item))
            continue
        names = tuple(item)
        if names not in wrong:
            wrong[names] = wrong_with(names)
        reasons.append(wrong[names])
    return reasons


def _no_sample(item: Any) -> str:
    if isinstance(item, Twice):
        return f"gives {columns.shown(item.name)!r} twice; leave one out"
    return "is no object; a sample is {...} with fields named like the columns of a counter file"
