"""Plans and polls of a team of two members of 1 Gbit/s, in seconds from the beginning of a check."""

from __future__ import annotations

import numpy as np

from service.rules.trials.cells import Cells
from service.rules.trials.framing import Framing
from service.rules.trials.plan import Changed, Group, Plan

BEGIN_MS = 1_000_000_000_000
MBPS = 1_000_000
# One octet on counters for each that is stated: figures in tests are those on the counters.
PLAIN = Framing(1000, 1000)


def a_group(count=1, mbps=100.0, begin_s=0, end_s=600):
    return Group(count, mbps * MBPS, BEGIN_MS + begin_s * 1000, BEGIN_MS + end_s * 1000)


def a_plan(*groups, changes_s=(), end_s=600, framing=PLAIN, line=0.75):
    changes = tuple(Changed(BEGIN_MS + round(at * 1000)) for at in changes_s)
    whole = groups or (a_group(8),)
    return Plan("lab-07", "pair", "egress", whole, BEGIN_MS, BEGIN_MS + end_s * 1000, framing, line, changes=changes)


def polled(*members_mbps, first_s=-60, every_s=10, discards=None):
    """Cells of so many Mbit/s each, None where nobody knows, one list a member."""
    bps = np.array([[np.nan if one is None else one * MBPS for one in some] for some in members_mbps], dtype=float)
    count = bps.shape[1]
    octets = bps * every_s / 8
    return Cells(
        ports=tuple(f"m{at + 1}" for at in range(len(bps))),
        speeds_bps=np.full(len(bps), 1000 * MBPS, dtype=np.int64),
        counts=np.zeros(len(bps), dtype=np.int64),
        edges_ms=BEGIN_MS + 1000 * (first_s + every_s * np.arange(count + 1, dtype=np.int64)),
        octets=octets,
        frames=octets / 1000,
        discards=np.zeros_like(octets) if discards is None else np.array(discards, dtype=float),
    )
