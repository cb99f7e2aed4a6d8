"""A JSON batch of samples as objects: {"samples": [{"time": ..., "device": ..., ...}, ...]}."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

import msgspec
import numpy as np

from service.errors import UnusableInput
from service.feeds import json_text, shapes
from service.feeds.json_text import UNREADABLE
from service.feeds.limits import IngestLimits
from service.terms import Parsed

_OPENING = re.compile(rb'\s*\{\s*"samples"\s*:\s*\[\s*(\{[^{}\[\]]*\})')


def parse(body: bytes, limits: IngestLimits) -> Parsed:
    """The samples of a batch, their index counted from 0."""
    quickly = _alike(body, limits)
    if quickly is not None:
        return quickly
    items = json_text.batch(body, "samples")
    if not isinstance(items, list):
        raise UnusableInput("body", "samples is no list", 'send {"samples": [{...}, ...]}')
    json_text.within(len(items), limits.max_samples)
    return shapes.each(items, range(len(items)))


def _alike(body: bytes, limits: IngestLimits) -> Parsed | None:
    opening = _OPENING.match(body)
    names = shapes.names_of(opening[1]) if opening else ()
    decoder = _decoder(names) if names else None
    if decoder is None:
        return None
    try:
        samples = decoder.decode(body).samples
    except UNREADABLE:
        return None
    except RecursionError as deep:
        raise json_text.too_deep() from deep
    json_text.within(len(samples), limits.max_samples)
    if json_text.names_in(body) != len(names) * len(samples) + 1:
        return None  # a name given twice, most likely
    return shapes.alike(samples, names, np.arange(len(samples), dtype=np.int64))


@lru_cache(maxsize=64)
def _decoder(names: tuple[str, ...]) -> msgspec.json.Decoder[Any] | None:
    sample = shapes.shape(names)
    if sample is None:
        return None
    batch = msgspec.defstruct("Batch", [("samples", list[sample])], forbid_unknown_fields=True)  # type: ignore[valid-type]  # made at run time
    return msgspec.json.Decoder(batch)
