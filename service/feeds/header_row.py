"""The header row of a short file, and the values of one of its lines (RFC 4180, each row on a line of its own)."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Collection, Sequence


def values_of(line: str) -> list[str] | None:
    """The values of one line, None where it is no row."""
    try:
        return next(csv.reader([line], strict=True), [])
    except csv.Error:
        return None


def unusable(names: Sequence[str], known: Collection[str], needed: Sequence[str]) -> str:
    """What is wrong with the names of a header; empty where they will do."""
    if unknown := [name for name in names if name not in known]:
        return f"has a column that is not known here, {unknown[0][:60]!r}"
    if twice := [name for name, count in Counter(names).items() if count > 1]:
        return f"has the column {twice[0]} twice"
    missing = [name for name in needed if name not in names]
    return f"lacks the column {missing[0]}" if missing else ""
