"""The table beside a chart: the same numbers, the newest first."""

from __future__ import annotations

from dataclasses import dataclass

from service.charts import frames
from service.pages.charted_figures import Figures
from service.pages.spoken import at_short
from service.terms import KIND_WORDS
from service.web.figures import known
from service.webhooks.fields import instant


@dataclass(frozen=True)
class Cell:
    """One member in one row: its share, of a roll-up also its peak, and whether only a part was covered."""

    share: float | None
    peak: float | None
    partial: bool


@dataclass(frozen=True)
class Row:
    """One window, or five minutes; `kind` is empty where nobody decided it.

    `told` is its beginning for eyes, `start` as questions have it, of a window whose working can be shown; else empty.
    """

    start_ms: int
    told: str
    start: str
    cells: tuple[Cell, ...]
    even_split: float | None
    kind: str
    restated: bool


def rows(found: Figures, way: int, page: int, a_page: int) -> tuple[Row, ...]:
    """A page of rows, none where there is no such page."""
    newest = found.span.count - 1 - (page - 1) * a_page
    partial = found.partial[:, :, way]
    return tuple(
        _row(found, way, slot, partial[:, slot].tolist()) for slot in range(newest, max(-1, newest - a_page), -1)
    )


def _row(found: Figures, way: int, slot: int, partial: list[bool]) -> Row:
    cells = tuple(
        Cell(known(found.shares[member, slot, way]), known(found.peaks[member, slot, way]), in_part)
        for member, in_part in enumerate(partial)
    )
    start_ms = found.span.first_ms + slot * found.span.width_ms
    kind = "" if found.rolled_up or not found.there[slot] else KIND_WORDS[int(found.kinds[slot, way])]
    start = "" if found.rolled_up or not found.there[slot] else instant(start_ms) or ""
    return Row(
        start_ms, _told(start_ms), start, cells, known(found.even_split[slot, way]), kind, bool(found.restated[slot])
    )


def _told(at_ms: int) -> str:
    """Short, for it stands in each of hundreds of rows; the year is in the title."""
    return f"{frames.day(at_ms)} {at_short(at_ms)}"
