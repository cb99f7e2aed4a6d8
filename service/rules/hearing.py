"""When a source of a run fell silent, seen from the samples of all sources."""

from __future__ import annotations

import numpy as np

from service.numerics.silence import MISSED, missed_by_ms, silences, usual_gap
from service.terms import Codes, Ints, Layout, Samples, Span

_NEVER = np.iinfo(np.int64).max


def silent(samples: Samples, layout: Layout, span: Span, now_ms: int) -> list[tuple[int, int]]:
    """Devices that missed their third poll within the span, as (device, silent since); samples by port and time.

    How often a device is read is how often each of its ports is: they need not be read at the same
    instant. `now_ms` is up to when they could have been heard: of a file that is its last sample,
    for a file that ends is not a source that is silent.
    """
    if len(samples) == 0:
        return []
    device = layout.device_of_port[samples.port]
    shortest = _shortest_gaps(samples, device, len(layout.devices))
    order = np.lexsort((samples.at_ms, device))
    device, at_ms = device[order], samples.at_ms[order]
    now_ms = min(max(now_ms, int(samples.at_ms.max())), span.end_ms)
    starts = np.flatnonzero(np.diff(device, prepend=-1))
    ends = np.append(starts[1:], len(device))
    longest = _longest_gaps(at_ms, starts, ends, now_ms)
    found = []
    # A quick look at all before the thorough one at few: the usual gap is no shorter than the shortest.
    for of in np.flatnonzero((longest > 0) & (longest // MISSED >= shortest[device[starts]])).tolist():
        heard = order[starts[of] : ends[of]]
        found += [(int(device[starts[of]]), since) for since in _since(samples, np.sort(heard), now_ms, span)]
    return found


def _shortest_gaps(samples: Samples, device: Codes, devices: int) -> Ints:
    """By device, the shortest time between two samples of one port of it."""
    same = samples.port[1:] == samples.port[:-1]
    shortest = np.full(devices, _NEVER, dtype=np.int64)
    np.minimum.at(shortest, device[1:][same], np.diff(samples.at_ms)[same])
    return shortest


def _longest_gaps(at_ms: Ints, starts: Ints, ends: Ints, now_ms: int) -> Ints:
    """By device, the longest time between two samples of any of its ports, and from the last until now."""
    until_next = np.append(np.diff(at_ms), 0)
    until_next[ends - 1] = now_ms - at_ms[ends - 1]
    longest: Ints = np.maximum.reduceat(until_next, starts)
    return longest


def _since(samples: Samples, rows: Ints, now_ms: int, span: Span) -> list[int]:
    usual_ms = usual_gap(samples.port[rows], samples.at_ms[rows])
    third = missed_by_ms(usual_ms)
    every = silences(samples.at_ms[rows], now_ms, usual_ms)
    return [one.since_ms for one in every if span.first_ms < one.since_ms + third <= span.end_ms]
