"""When a source of a run fell silent, seen from the samples of all sources."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from service.numerics.silence import LATE, MISSED, silences, usual_interval
from service.terms import Ints, Layout, Samples, Span


def silent(samples: Samples, layout: Layout, span: Span, now_ms: int) -> list[tuple[int, int]]:
    """Devices that missed their third poll within the span, as (device, silent since).

    `now_ms` is up to when they could have been heard: of a file that is its last sample, for a
    file that ends is not a source that is silent.
    """
    if len(samples) == 0:
        return []
    device = layout.device_of_port[samples.port]
    order = np.lexsort((samples.at_ms, device))
    device, at_ms = device[order], samples.at_ms[order]
    now_ms = min(max(now_ms, int(samples.at_ms.max())), span.end_ms)
    starts = np.flatnonzero(np.diff(device, prepend=-1))
    ends = np.append(starts[1:], len(device))
    found = []
    for of in np.flatnonzero(_may_be_silent(at_ms, starts, ends, now_ms)).tolist():
        heard = at_ms[starts[of] : ends[of]]
        found += [(int(device[starts[of]]), since) for since in _since(heard, now_ms, span)]
    return found


def _may_be_silent(
    at_ms: Ints, starts: npt.NDArray[np.intp], ends: npt.NDArray[np.intp], now_ms: int
) -> npt.NDArray[np.bool_]:
    """Devices whose longest gap is long beside their shortest: a quick look at all before the thorough one at few."""
    until_next = np.append(np.diff(at_ms), 0)
    until_next[ends - 1] = now_ms - at_ms[ends - 1]
    longest = np.maximum.reduceat(until_next, starts)
    # The usual gap is no shorter than the shortest, so nobody who is silent is passed over.
    until_next[(until_next == 0) | (np.arange(len(until_next)) == np.repeat(ends - 1, ends - starts))] = longest.max()
    return np.asarray((longest > 0) & (longest >= MISSED * np.minimum.reduceat(until_next, starts)))


def _since(heard_ms: Ints, now_ms: int, span: Span) -> list[int]:
    third = int((MISSED + LATE) * usual_interval(heard_ms))
    every = silences(heard_ms, now_ms)
    return [one.since_ms for one in every if span.first_ms < one.since_ms + third <= span.end_ms]
