"""A batch of samples as JSON objects, one a line."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import msgspec
import numpy as np

from service.errors import UnusableInput
from service.feeds import encoding, json_text, shapes
from service.feeds.json_text import UNREADABLE
from service.feeds.limits import IngestLimits
from service.terms import Parsed


def parse(body: bytes, limits: IngestLimits) -> Parsed:
    """The samples of a batch, their index the line they stand on, counted from 1."""
    lines = body.count(b"\n") + (not body.endswith(b"\n"))
    json_text.within(lines, limits.max_samples)
    quickly = _alike(body, lines)
    return quickly if quickly is not None else _each(body)


def _alike(body: bytes, lines: int) -> Parsed | None:
    names = shapes.names_of(body.split(b"\n", 1)[0])
    decoder = _decoder(names) if names else None
    if decoder is None:
        return None
    try:
        samples = decoder.decode_lines(body)
    except (*UNREADABLE, RecursionError):
        return None
    if len(samples) != lines or json_text.names_in(body) != len(names) * lines:
        return None
    return shapes.alike(samples, names, np.arange(1, lines + 1, dtype=np.int64))


def _each(body: bytes) -> Parsed:
    items: list[Any] = []
    index: list[int] = []
    unread: list[tuple[int, str]] = []
    for number, line in enumerate(body.split(b"\n"), start=1):
        if not line.strip():
            continue
        try:
            items.append(json_text.patiently(encoding.text_of(line, f"line {number}"), f"line {number}"))
            index.append(number)
        except UnusableInput as wrong:
            unread.append((number, f"{wrong.what}; {wrong.remedy}"))
    return shapes.each(items, index, unread)


@lru_cache(maxsize=64)
def _decoder(names: tuple[str, ...]) -> msgspec.json.Decoder[Any] | None:
    sample = shapes.shape(names)
    return None if sample is None else msgspec.json.Decoder(sample)
