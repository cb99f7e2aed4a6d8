"""When a source of a run fell silent, seen from the samples of all sources."""

from __future__ import annotations

import numpy as np

from service.numerics.silence import LATE, MISSED, silences, usual_interval
from service.terms import Ints, Layout, Samples, Span


def silent(samples: Samples, layout: Layout, span: Span) -> list[tuple[int, int]]:
    """Devices that missed their third poll within the span, as (device, silent since).

    Now is when the last sample of any device came: a file that ends is not a source that is silent.
    """
    if len(samples) == 0:
        return []
    device = layout.device_of_port[samples.port]
    order = np.lexsort((samples.at_ms, device))
    device, at_ms = device[order], samples.at_ms[order]
    now_ms = min(int(samples.at_ms.max()), span.end_ms)
    first = np.flatnonzero(np.diff(device, prepend=-1))
    found = []
    for start, end in zip(first.tolist(), [*first[1:].tolist(), len(device)], strict=True):
        if _may_be_silent(at_ms, start, end, now_ms):
            found += [(int(device[start]), since) for since in _since(at_ms[start:end], now_ms, span)]
    return found


def _may_be_silent(at_ms: Ints, start: int, end: int, now_ms: int) -> bool:
    """Whether a device's longest gap is long beside its mean one: a quick look before the thorough one."""
    longest = max(int(np.diff(at_ms[start:end]).max(initial=0)), now_ms - int(at_ms[end - 1]))
    return longest > 0 and longest * (end - start) >= MISSED * (int(at_ms[end - 1]) - int(at_ms[start]))


def _since(heard_ms: Ints, now_ms: int, span: Span) -> list[int]:
    third = int((MISSED + LATE) * usual_interval(heard_ms))
    every = silences(heard_ms, now_ms)
    return [one.since_ms for one in every if span.first_ms < one.since_ms + third <= span.end_ms]
