"""Names chosen by patterns with * and ?."""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatchcase


def matches(name: str, patterns: Sequence[str]) -> bool:
    """Whether a name is chosen by one of the patterns; all are where there is none."""
    return not patterns or any(fnmatchcase(name, pattern) for pattern in patterns)
