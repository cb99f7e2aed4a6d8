"""Lines of members: known windows joined, holes left open, and what a window was besides as marks on it."""

from __future__ import annotations

import math

import numpy as np

from service.charts import paint as colours
from service.charts.columns import Columns, any_of, columns, runs
from service.charts.frames import Frame
from service.charts.paint import Paint
from service.charts.plots import Line
from service.charts.texts import escaped
from service.terms import Floats, Truths


def drawn(paint: Paint, frame: Frame, line: Line, row: int) -> str:
    """A member, with its figures as data where it is drawn broad."""
    found = columns(line.figures, frame.most)
    stroke = colours.member(row)
    path = f'<path{paint.of(stroke)} stroke-width="2" stroke-linejoin="round"{colours.dash(row)} d="'
    parts = [path + path_of(frame, found, len(line.figures)) + '"/>']
    parts += _hollow(paint, frame, found, line, stroke)
    parts += _restated(paint, frame, found, line, stroke)
    return f"<g{told(frame, line.name, found)}>{''.join(parts)}</g>"


def path_of(frame: Frame, of: Columns, count: int) -> str:
    """The path of a line: a part for each run of known columns, from the least to the most where they differ."""
    x, half = places(frame, of, count)
    low, high = heights(frame, of.low), heights(frame, of.high)
    first, second = np.where(of.falls, high, low), np.where(of.falls, low, high)
    return "".join(
        _run(x[a:b].tolist(), first[a:b].tolist(), second[a:b].tolist(), half if b - a == 1 else 0) for a, b in runs(of)
    )


def _run(x: list[float], first: list[float], second: list[float], half: float) -> str:
    if half:
        # One window alone has no neighbour to be joined with; it is as broad as it lasted.
        up = f"M{x[0]:g},{first[0]:g}V{second[0]:g}" if first != second else ""
        return f"{up}M{x[0] - half:g},{second[0]:g}h{2 * half:g}"
    steps = [
        f"{at:g},{one:g}" if one == other else f"{at:g},{one:g} {at:g},{other:g}"
        for at, one, other in zip(x, first, second, strict=True)
    ]
    return "M" + " ".join(steps)


def places(frame: Frame, of: Columns, count: int) -> tuple[Floats, float]:
    """The middle of each column (n_columns,), and half of its breadth, at least a unit."""
    breadth = (frame.right - frame.left) * of.windows / max(1, count)
    x: Floats = np.round(frame.left + breadth * (np.arange(len(of.low)) + 0.5), 1)
    return np.minimum(x, frame.right), round(max(1.0, breadth / 2), 1)


def heights(frame: Frame, figures: Floats) -> Floats:
    """Where figures lie, to a tenth of a unit; NaN stays."""
    share = np.clip(figures / frame.highest, 0.0, 1.0)
    found: Floats = np.round(frame.bottom - share * (frame.bottom - frame.top), 1)
    return found


def _hollow(paint: Paint, frame: Frame, of: Columns, line: Line, stroke: str) -> list[str]:
    """Windows of which only a part was covered: rings."""
    dots = "".join(f"M{x:g},{y:g}h0" for x, y in _marked(frame, of, line, line.partial))
    if not dots:
        return []
    ends = f'stroke-linecap="round" d="{dots}"/>'
    ring = f'<path{paint.of(stroke)} stroke-width="8" {ends}<path{paint.of("paper")} stroke-width="4" {ends}'
    return [f"<g><title>{escaped(line.name)}: only a part of the window was covered</title>{ring}</g>"]


def _restated(paint: Paint, frame: Frame, of: Columns, line: Line, stroke: str) -> list[str]:
    """Windows that were rewritten: crosses."""
    marked = _marked(frame, of, line, line.restated)
    crosses = "".join(f"M{x - 4:g},{y - 4:g}l8,8m0,-8l-8,8" for x, y in marked)
    if not crosses:
        return []
    title = f"<title>{escaped(line.name)}: restated after late samples</title>"
    return [f'<g>{title}<path{paint.of(stroke)} stroke-width="1.5" d="{crosses}"/></g>']


def _marked(frame: Frame, of: Columns, line: Line, truths: Truths) -> list[tuple[float, float]]:
    if not len(truths):
        return []
    at = np.flatnonzero(any_of(truths & ~np.isnan(line.figures), of.windows))
    x, _ = places(frame, of, len(line.figures))
    return list(zip(x[at].tolist(), heights(frame, of.high)[at].tolist(), strict=True))


def told(frame: Frame, name: str, of: Columns) -> str:
    """The attributes of a line with its figures, for reading out; the narrow drawing leaves them to the broad one.

    A column each: tenths of a per cent, the least and the most where they differ, nothing where unknown.
    """
    member = f' data-member="{escaped(name)}"'
    if frame.is_narrow:
        return member
    figures = ",".join(_column(a, b) for a, b in zip(of.low.tolist(), of.high.tolist(), strict=True))
    return f'{member} data-figures="{figures}"'


def _column(low: float, high: float) -> str:
    if math.isnan(low):
        return ""
    least = _tenths(low)
    most = least if low == high else _tenths(high)
    return least if least == most else f"{least}-{most}"


def _tenths(share: float) -> str:
    # Rounded as the words of the page are, which the table beside has: 0.7845 is 78.5 %, and 784 to whole tenths.
    return str(int(f"{share * 100:.1f}".replace(".", "")))
