"""The loops over what windows show besides utilisation: counts of frames, their rates, and a shared medium.

What stands in windows is known by the names of `window_loop`. All is compiled.
"""

from __future__ import annotations

import numpy as np

from service.numerics.compiled import compiled
from service.numerics.window_loop import (
    BCAST,
    COVERED,
    DISCARDS,
    ERRORS,
    FRAMES,
    MCAST,
    OK,
    SHARED,
    SHOWN_FROM,
    Figures,
    Grid,
    Rows,
    Sums,
)


@compiled
def lay_counts(rows: Rows, grid: Grid, first_port: int, sums: Sums) -> None:
    """Add the parts of frames, multicasts, broadcasts, discards and errors; NaN where a part is not known."""
    port, start_ms, end_ms, status = rows.port, rows.start_ms, rows.end_ms, rows.status
    first, last = rows.first, rows.last
    frames, mcast, bcast, discards, errors = rows.frames, rows.mcast, rows.bcast, rows.discards, rows.errors
    for row in range(len(port)):
        place = port[row] - first_port
        length_ms = end_ms[row] - start_ms[row]
        for window in range(max(first[row], 0), min(last[row] + 1, sums.shape[1])):
            window_ms = grid.first_ms + window * grid.width_ms
            overlap_ms = min(end_ms[row], window_ms + grid.width_ms) - max(start_ms[row], window_ms)
            for direction in range(2):
                if status[row, direction] != OK:
                    continue
                part = overlap_ms / length_ms
                if len(frames) > 0:
                    sums[place, window, direction, FRAMES] += known_or_nan(frames[row, direction]) * part
                if len(mcast) > 0:
                    sums[place, window, direction, MCAST] += known_or_nan(mcast[row, direction]) * part
                if len(bcast) > 0:
                    sums[place, window, direction, BCAST] += known_or_nan(bcast[row, direction]) * part
                if len(discards) > 0:
                    sums[place, window, direction, DISCARDS] += known_or_nan(discards[row, direction]) * part
                if len(errors) > 0:
                    sums[place, window, direction, ERRORS] += known_or_nan(errors[row, direction]) * part


@compiled
def known_or_nan(count: int) -> float:
    """The count as a float, NaN where it is not known."""
    return float(count) if count >= 0 else np.nan


@compiled
def describe(rows: Rows, sums: Sums, width_ms: int, first: int, out: Figures) -> None:
    """Packets, multicasts, broadcasts and errors a second, and the share of frames that were discarded.

    NaN where nobody counts, or less than half of the window is covered.
    """
    packets, mcast, bcast, errors, ratio = out.packets, out.mcast, out.bcast, out.errors, out.discard_ratio
    frames_told, mcast_told, bcast_told = len(rows.frames) > 0, len(rows.mcast) > 0, len(rows.bcast) > 0
    discards_told, errors_told = len(rows.discards) > 0, len(rows.errors) > 0
    for place in range(len(sums)):
        for window in range(sums.shape[1]):
            for direction in range(2):
                covered_ms = sums[place, window, direction, COVERED]
                each = np.nan  # what one of a count is a second
                if covered_ms >= SHOWN_FROM * width_ms:
                    each = 1000.0 / covered_ms
                at = first + place
                frames = sums[place, window, direction, FRAMES] if frames_told else np.nan
                dropped = sums[place, window, direction, DISCARDS] if discards_told else np.nan
                packets[at, window, direction] = frames * each
                mcast[at, window, direction] = sums[place, window, direction, MCAST] * each if mcast_told else np.nan
                bcast[at, window, direction] = sums[place, window, direction, BCAST] * each if bcast_told else np.nan
                errors[at, window, direction] = sums[place, window, direction, ERRORS] * each if errors_told else np.nan
                share = dropped + frames
                if share > 0:
                    share = dropped / share
                # Nothing sent and nothing dropped is a known ratio of nothing, not a gap.
                ratio[at, window, direction] = share if each > 0 else np.nan


@compiled
def share_medium(first: int, last: int, out: Figures) -> None:
    """Half duplex: both directions take turns on one medium, so both show the sum, on the poorer basis."""
    utilisation, basis, marks, why_not = out.utilisation, out.basis, out.marks, out.why_not
    lower, upper = out.lower, out.upper
    for place in range(first, last):
        for window in range(marks.shape[1]):
            if not marks[place, window] & SHARED:
                continue
            both = utilisation[place, window, 0] + utilisation[place, window, 1]
            poorer = min(basis[place, window, 0], basis[place, window, 1])
            reason = max(why_not[place, window, 0], why_not[place, window, 1])
            if len(lower) > 0:
                lower[place, window, 0] = lower[place, window, 1] = lower[place, window, 0] + lower[place, window, 1]
                upper[place, window, 0] = upper[place, window, 1] = upper[place, window, 0] + upper[place, window, 1]
            for direction in range(2):
                utilisation[place, window, direction] = both
                basis[place, window, direction] = poorer
                why_not[place, window, direction] = reason
