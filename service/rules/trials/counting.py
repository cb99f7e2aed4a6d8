"""What members counted against what was offered, after overhead and what ran before."""

from __future__ import annotations

import numpy as np

from service.numerics.order import Rows
from service.rules.trials.cells import Cells
from service.rules.trials.outcome import Count
from service.rules.trials.plan import Plan
from service.terms import Floats

TOLERANCE = 0.02
SLACK = 1e-9  # of a quotient of floats
BEFORE_MS = 300_000  # background is looked for so long before the check begins


def background_bps(plan: Plan, cells: Cells) -> Floats:
    """What each member carried before the check, (n_ports,); NaN where no poll tells."""
    quiet = cells.within(plan.begin_ms - BEFORE_MS, plan.begin_ms)
    # The last of them may hold the beginning already, where clocks differ a little.
    quiet[np.flatnonzero(quiet)[-1:]] = quiet.sum() < 2
    if not quiet.any():
        return np.full(len(cells.ports), np.nan)
    octets: Floats = cells.octets[:, quiet].sum(axis=1)
    return octets * 8000 / float(cells.widths_ms[quiet].sum())


def counted(plan: Plan, cells: Cells) -> Count | None:
    """The check of the sum; None where no poll lies wholly in the check, or none of these was offered anything."""
    used = np.flatnonzero(cells.within(plan.begin_ms, plan.end_ms))
    edges = cells.edges_ms
    offered = sum(plan.offered_octets(int(edges[at]), int(edges[at + 1])) for at in used)
    seconds = float(cells.widths_ms[used].sum()) / 1000
    if not offered or not seconds:
        return None
    before = background_bps(plan, cells)
    background = None if np.isnan(before).any() else float(before.sum())
    stated_bps, sum_bps = offered * 8 / seconds, float(cells.octets[:, used].sum()) * 8 / seconds
    expected_bps = _expected(plan, cells, stated_bps, used)
    ratio = (sum_bps - (background or 0.0)) / expected_bps
    return Count(
        offered_bps=stated_bps,
        expected_bps=expected_bps,
        counted_bps=sum_bps,
        background_bps=background,
        ratio=ratio,
        agrees=abs(ratio - 1) <= TOLERANCE + SLACK,
        tolerance=TOLERANCE,
        seconds=seconds,
        frame_octets=_mean_frame(cells, used),
    )


def discarded(cells: Cells, from_ms: int, to_ms: int) -> int | None:
    """Frames that members discarded in the polls that touch a stretch; None where no member counts them."""
    touched = (cells.edges_ms[1:] > from_ms) & (cells.edges_ms[:-1] < to_ms)
    some = cells.discards[:, touched]
    return None if np.isnan(some).all() else round(float(np.nansum(some)))


def _expected(plan: Plan, cells: Cells, stated_bps: float, used: Rows) -> float:
    """What counters should show: members may count different parts of a frame, and carry different shares."""
    carried = cells.octets[:, used].sum(axis=1)
    shares = carried / carried.sum() if carried.sum() > 0 else np.full(len(carried), 1 / len(carried))
    each = [plan.framing.counted_bps(stated_bps, int(kind)) for kind in cells.counts]
    return float((shares * each).sum())


def _mean_frame(cells: Cells, used: Rows) -> float | None:
    frames = float(cells.frames[:, used].sum())
    return float(cells.octets[:, used].sum()) / frames if frames > 0 else None


def known(value: float) -> float | None:
    """None for what is NaN."""
    return None if np.isnan(value) else float(value)
