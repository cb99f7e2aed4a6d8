"""Kept windows and roll-ups of one team, page by page and by who was a member when."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

from service.storage import cursors
from service.storage.rosters import Roster
from service.terms import DIRECTIONS


@dataclass(frozen=True)
class Stretch:
    """Which figures are wanted: of what time, half-open, in which directions, how many rows at most."""

    from_ms: int
    to_ms: int
    ways: tuple[int, ...]
    limit: int


@dataclass(frozen=True)
class Stay:
    """Windows that follow each other with the same members: their starts, and the ids of the members by position."""

    starts: tuple[int, ...]
    roster: Roster


def page(found: dict[int, Roster], limit: int) -> tuple[list[Stay], str | None]:
    """Stays of the first `limit` windows, and the cursor of the next one."""
    starts = list(found)
    following = cursors.written([starts[limit]]) if len(starts) > limit else None
    stays = [Stay(tuple(group), roster) for roster, group in groupby(starts[:limit], key=found.__getitem__)]
    return stays, following


def begin_ms(cursor: str | None, from_ms: int) -> int:
    """Where a page begins."""
    if cursor is None:
        return from_ms
    return max(from_ms, int(cursors.read(cursor, int)[0]))


def ways(direction: str | None) -> tuple[int, ...]:
    """The positions of the directions asked for."""
    return (0, 1) if direction is None else (DIRECTIONS.index(direction),)
