"""The short way from samples to windows, for ports of which nothing but growing octets is told."""

from __future__ import annotations

import numpy as np

from service.numerics.intervals import COARSE_AFTER_WINDOWS, carried, plain
from service.numerics.window_loop import Figures, Grid, Octets, Ports, lay_steady
from service.terms import OCTETS, PACKETS, Ints, Samples

OUT_OCTETS, IN_OCTETS = 2 * OCTETS, 2 * OCTETS + 1  # of COUNTERS
OF_PACKETS = (2 * PACKETS, 2 * PACKETS + 1)


def is_lean(samples: Samples, shift_ms: Ints | None, out: Figures) -> bool:
    """Whether the short way is open: octets of both directions, no packets, ticks or shifts, no bounds asked for."""
    ticks = len(samples.uptime_ticks) + len(samples.discontinuity_ticks)
    columns = set(samples.columns)
    told = columns.issuperset((OUT_OCTETS, IN_OCTETS)) and columns.isdisjoint(OF_PACKETS)
    return told and ticks == 0 and shift_ms is None and len(out.lower) == 0


def lay(  # noqa: PLR0917  # `lay_all`, from samples
    samples: Samples, before: Samples | None, ports: Ports, grid: Grid, first_port: int, out: Figures
) -> list[tuple[int, int]]:
    """Lay the samples of the ports from `first_port` on into the windows of `out`.

    Returns
    -------
    list of (first, end)
        Ranges of ports, counted from `first_port`, that must be laid the general way: their
        facts changed, or their octets are not beyond doubt.
    """
    n_ports = len(out.marks)
    left = np.empty(n_ports, dtype=np.bool_)
    ports_on = np.arange(first_port, first_port + n_ports + 1, dtype=samples.port.dtype)
    lay_steady(
        _octets(samples),
        _octets(carried(before, samples)),
        np.searchsorted(samples.port, ports_on).astype(np.int64),
        ports,
        grid,
        COARSE_AFTER_WINDOWS * grid.width_ms,
        first_port,
        out,
        left,
    )
    return _runs(left)


def _octets(samples: Samples) -> Octets:
    return Octets(
        port=plain(samples.port, np.int32),
        at_ms=plain(samples.at_ms, np.int64),
        facts=plain(samples.facts, np.int32),
        known=plain(samples.known, np.uint16),
        counters=plain(samples.counters, np.uint64),
        out=samples.columns.index(OUT_OCTETS),
        into=samples.columns.index(IN_OCTETS),
    )


def _runs(marked: np.ndarray) -> list[tuple[int, int]]:
    """First and end of each run of marked places."""
    edges = np.flatnonzero(np.diff(marked, prepend=False, append=False)).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))
