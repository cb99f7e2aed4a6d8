"""A report as CSV: a row a figure, with the number that programs reckon with and the words that people read."""

from __future__ import annotations

from service.exports import csv
from service.reports.paper import Paper

COLUMNS = ("from", "to", "part", "about", "figure", "value", "unit", "words", "windows")


def comma_separated(paper: Paper, bounds: tuple[str, str], base: str = "") -> bytes:
    """The file, in which no spreadsheet finds a formula; what is not known is an empty value, never 0."""
    rows = (
        (*bounds, part, about, name, cell.number, cell.unit, cell.text, base + cell.place if cell.place else "")
        for part, about, name, cell in paper.numbers()
    )
    return csv.written(COLUMNS, rows)
