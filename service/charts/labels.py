"""A name at the end of each line, with a piece of the line before it: nobody has to look a colour up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from service.charts import frames
from service.charts import paint as colours
from service.charts.frames import Frame
from service.charts.paint import Paint
from service.charts.plots import Plot
from service.charts.texts import SIZE, escaped, shortened, text
from service.terms import Floats

APART = SIZE * 1.15
SAMPLE = 26  # how long the piece of line is
EVEN_SPLIT = "even split"


def drawn(paint: Paint, frame: Frame, plot: Plot) -> str:
    """All names right of the field, as near to the last known figures as they fit, above the word below it."""
    named = [(line.name, line.figures) for line in plot.lines]
    if np.isfinite(plot.even_split).any():
        named.append((EVEN_SPLIT, plot.even_split))
    wanted = [frame.y(_last(figures)) for _, figures in named]
    rows = spread(wanted, (frame.top + 4, frame.bottom - 22))
    return "".join(
        _label(paint, frame, row, (name, y)) for row, ((name, _), y) in enumerate(zip(named, rows, strict=True))
    )


def spread(wanted: Sequence[float], within: tuple[float, float]) -> list[float]:
    """Heights in the same order from top to bottom, far enough apart to be read, within bounds where they fit."""
    order = sorted(range(len(wanted)), key=wanted.__getitem__)
    top, bottom = within
    apart = min(APART, (bottom - top) / max(1, len(wanted) - 1))
    found = [0.0] * len(wanted)
    below = top - apart
    for rank, at in enumerate(order):
        latest = bottom - apart * (len(order) - 1 - rank)
        below = max(below + apart, min(wanted[at], latest))
        found[at] = below
    return found


def _last(figures: Floats) -> float:
    known = figures[np.isfinite(figures)]
    return float(known[-1]) if len(known) else 0.0


def _label(paint: Paint, frame: Frame, row: int, named: tuple[str, float]) -> str:
    name, y = named
    left = frame.right + 8
    if name == EVEN_SPLIT:
        stroke, dashes = "soft", ' stroke-linecap="round" stroke-dasharray="0 7"'
    else:
        stroke, dashes = colours.member(row), colours.dash(row)
    piece = f'<path{paint.of(stroke)} stroke-width="3"{dashes} d="M{left:g},{y:.1f}h{SAMPLE}"/>'
    words = shortened(name, frames.RIGHT - SAMPLE - 16)
    return f"<g><title>{escaped(name)}</title>{piece}{text(paint, (left + SAMPLE + 6, y + 5), words)}</g>"
