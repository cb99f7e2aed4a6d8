"""A JSON batch of samples as columns: {"columns": {"time": [...], "device": [...], ...}}."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from service.errors import UnusableInput
from service.feeds import assembly, cells, columns, json_text
from service.feeds.limits import IngestLimits
from service.feeds.told import Told
from service.terms import Parsed

_OPENING = re.compile(rb'\s*\{\s*"columns"\s*:')
REMEDY = 'send {"columns": {"time": [...], "device": [...], ...}}, all lists of one length'


def is_columnar(body: bytes) -> bool:
    """Whether a JSON body holds columns rather than samples."""
    return _OPENING.match(body) is not None


def parse(body: bytes, limits: IngestLimits) -> Parsed:
    """The samples of a batch, their index counted from 0."""
    lists = json_text.batch(body, "columns")
    count = _length(lists)
    json_text.within(count, limits.max_samples)
    told = Told(np.arange(count, dtype=np.int64))
    for name, values in lists.items():
        if not columns.own(name):
            cells.take_values(told, columns.COLUMNS[name], values)
    return assembly.parsed(told)


def _length(lists: Any) -> int:
    if not isinstance(lists, dict):
        raise UnusableInput("body", "columns is no object", REMEDY)
    if isinstance(lists, json_text.Twice):
        raise UnusableInput("body", f"column {columns.shown(lists.name)!r} is there twice", "leave one out")
    if wrong := columns.unusable(lists, mixing=True):
        raise UnusableInput("body", *wrong.split("; ", 1))
    lengths = {name: len(values) if isinstance(values, list) else -1 for name, values in lists.items()}
    for name, length in lengths.items():
        if length != lengths["time"] or length < 0:
            raise UnusableInput("body", f"column {columns.shown(name)!r} is no list as long as time's", REMEDY)
    return lengths["time"]
