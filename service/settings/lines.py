"""Where in a TOML file a key stands, so that a refusal can name the line."""

from __future__ import annotations

import re
from collections.abc import Mapping

_BARE = r"[A-Za-z0-9_-]+"
_NAME = rf"(?:{_BARE}|\"[^\"]*\"|'[^']*')"
_PATH = rf"{_NAME}(?:\s*\.\s*{_NAME})*"
_HEADER = re.compile(rf"^\s*(\[\[?)\s*({_PATH})\s*\]\]?")
_KEY = re.compile(rf"^\s*({_PATH})\s*=")
_PART = re.compile(_NAME)

Path = tuple[str | int, ...]


def lines_of(text: str) -> dict[Path, int]:
    """The line, from 1, of every section and key of a TOML file; entries of arrays of tables are counted from 0."""
    found: dict[Path, int] = {}
    entries: dict[Path, int] = {}
    section: Path = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            section = _section(header, entries)
            found.setdefault(section, number)
        elif key := _KEY.match(line):
            found.setdefault(section + _parts(key[1]), number)
    return found


def line_of(found: Mapping[Path, int], path: Path) -> int | None:
    """The line of a key, or of the nearest section above it; None where the file holds neither."""
    for length in range(len(path), 0, -1):
        if path[:length] in found:
            return found[path[:length]]
    return None


def _section(header: re.Match[str], entries: dict[Path, int]) -> Path:
    path = _parts(header[2])
    if header[1] == "[[":
        entries[path] = entries.get(path, -1) + 1
        return (*path, entries[path])
    return path


def _parts(written: str) -> Path:
    return tuple(part.strip("\"'") for part in _PART.findall(written))
