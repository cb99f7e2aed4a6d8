"""Where a share and an instant lie in a drawing, and at which round figures there is a tick."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from service.charts.plots import Plot
from service.charts.texts import SIZE

LEFT, RIGHT, TOP, BOTTOM = 64, 150, 54, 46
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
STEPS_MS = (
    *(n * 1000 for n in (5, 10, 30)),
    *(n * MINUTE_MS for n in (1, 2, 5, 10, 15, 30)),
    *(n * HOUR_MS for n in (1, 2, 3, 6, 12)),
    *(n * DAY_MS for n in (1, 2, 7, 14, 28)),
)
MOST_TICKS = 9
NARROW = 420  # as broad as a drawing for a phone, which shows it at about its own size
# Of all lines together: six members are drawn to the pixel, more of them coarser, so that a page stays light.
MOST_COLUMNS, MOST_NARROW_COLUMNS = 4500, 1500


@dataclass(frozen=True)
class Frame:
    """The field of a plot, in the drawing's units: where it lies, what time it spans, what is at its top."""

    left: float
    right: float
    top: float
    bottom: float
    first_ms: int
    span_ms: int
    highest: float
    most: int  # columns of a line

    @property
    def is_narrow(self) -> bool:
        """Whether it is of a drawing for a phone."""
        return self.right + RIGHT <= NARROW

    def x(self, at_ms: float) -> float:
        """Where an instant lies; what is outside lies on the edge."""
        share = (at_ms - self.first_ms) / max(1, self.span_ms)
        return self.left + min(1.0, max(0.0, share)) * (self.right - self.left)

    def y(self, share: float) -> float:
        """Where a share lies; what is above lies on the edge."""
        return self.bottom - min(1.0, max(0.0, share / self.highest)) * (self.bottom - self.top)


def frame(plot: Plot, width: float, height: float) -> Frame:
    """The field of a plot in a drawing of this size."""
    span_ms = plot.end_ms - plot.first_ms
    together = MOST_NARROW_COLUMNS if width <= NARROW else MOST_COLUMNS
    most = min(int(width - RIGHT - LEFT), together // max(1, len(plot.lines)))
    return Frame(LEFT, width - RIGHT, TOP, height - BOTTOM, plot.first_ms, span_ms, highest(plot), max(1, most))


def highest(plot: Plot) -> float:
    """The share at the top: 1, or the next quarter above what exceeds it."""
    figures = [np.asarray(line.figures) for line in plot.lines]
    most = max((float(f[np.isfinite(f)].max(initial=0.0)) for f in figures), default=0.0)
    return 1.0 if most <= 1.0 else math.ceil(most * 4) / 4


def shares(most: float) -> tuple[float, ...]:
    """Round shares from 0 to the top, quarters or multiples of them."""
    step = 0.25 * max(1, math.ceil(most / 0.25 / 8))
    return tuple(step * k for k in range(int(most / step + 1e-9) + 1))


def written(share: float) -> str:
    """A share of a scale; its foot in a word, which is seen from farther than one figure is."""
    return f"{share * 100:g} %" if share else "zero"


def instants(first_ms: int, span_ms: int, room: float) -> tuple[int, ...]:
    """Round instants in UTC, as many as have room."""
    most = max(2, min(MOST_TICKS, int(room / (SIZE * 4))))
    step = next((step for step in STEPS_MS if span_ms / step <= most), STEPS_MS[-1])
    return tuple(range(-(-first_ms // step) * step, first_ms + span_ms + 1, step))


def clock(at_ms: int) -> str:
    """The time of day, with seconds only where there are some."""
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    return at.strftime("%H:%M:%S" if at_ms % MINUTE_MS else "%H:%M")


def day(at_ms: int) -> str:
    """The day and month."""
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    return f"{at.day} {at.strftime('%b')}"
