"""How far around a stretch samples bear on it."""

from __future__ import annotations

import numpy as np

from service.terms import Samples, Span

# What is read before the first window: the polls by which a slow refresh and a clock that is off are known.
LOOK_BACK_MS = 10 * 60_000


def reach(span: Span) -> tuple[int, int]:
    """From when up to when samples bear on a stretch, half-open."""
    return span.first_ms - LOOK_BACK_MS, span.end_ms + 2 * span.width_ms


def bounds_ms(samples: Samples) -> tuple[int, int]:
    """The first and last moment of some samples, by their own time and by when they were received."""
    times = np.concatenate([samples.at_ms, samples.received_ms[samples.received_ms >= 0]])
    return int(times.min()), int(times.max())
