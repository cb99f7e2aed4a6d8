"""A report before it is given a form: sentences, figures and tables, each figure beside its number and its windows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Cell:
    """What one place of a report says, in words; the number and unit behind the words; where its windows are.

    A cell of words alone has no unit; a figure that is not known has a unit and no number.
    """

    text: str
    number: float | int | None = None
    unit: str = ""
    place: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure that stands by itself under its name."""

    name: str
    cell: Cell


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table; the first cell of a row names what the row is about. `none` is said where there are no rows."""

    key: str
    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    none: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Paper:
    """A whole report: what it is about, six figures, a few sentences, the one table, and what backs them up."""

    title: str
    span: str
    from_ms: int
    to_ms: int
    figures: tuple[Figure, ...]
    sentences: tuple[str, ...]
    table: Sheet
    further: tuple[Sheet, ...]
    cautions: tuple[str, ...]

    @property
    def sheets(self) -> tuple[Sheet, ...]:
        """All tables in their order."""
        return (self.table, *self.further)

    def numbers(self) -> Iterator[tuple[str, str, str, Cell]]:
        """Every figure with a unit, as (part, what it is about, its name, the cell), in the order of the page."""
        for figure in self.figures:
            yield "figures", "week", figure.name, figure.cell
        for sheet in self.sheets:
            for about, *cells in sheet.rows:
                for name, cell in zip(sheet.columns[1:], cells, strict=True):
                    yield sheet.key, about.text, name, cell
