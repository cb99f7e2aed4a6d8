"""A finding as JSON and back: what the column `body` holds."""

from __future__ import annotations

import math

import msgspec

from service.terms import Finding


def written(finding: Finding) -> str:
    """The finding as JSON."""
    return msgspec.json.encode(finding).decode()


def read(body: str) -> Finding:
    """The finding that JSON holds; fields that a later release added take their defaults."""
    told = msgspec.json.decode(body)
    # JSON has no word for a figure that is not a number; it was written as null.
    told |= {name: math.nan for name in _FIGURES if told.get(name) is None}
    return msgspec.convert(told, Finding)


_FIGURES = ("peak", "even_split", "imbalance")
