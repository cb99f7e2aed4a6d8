"""What members counted between polls, all members over the same stretches of time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from service.terms import DIRECTIONS, UNKNOWN, FactsTable, Floats, Intervals, Ints, Truths

MOST_CELLS = 2000
# A rounding of milliseconds is no hole.
WHOLE = 1 - 1e-6


@dataclass(frozen=True)
class Cells:
    """Members over stretches between polls: `edges_ms` (n_cells + 1,), figures (n_ports, n_cells), NaN where unknown.

    `speeds_bps` (n_ports,), 0 where unknown; `counts` (n_ports,) is what each counter includes.
    """

    ports: tuple[str, ...]
    speeds_bps: Ints
    counts: Ints
    edges_ms: Ints
    octets: Floats
    frames: Floats
    discards: Floats

    @property
    def widths_ms(self) -> Ints:
        """How long each cell is, (n_cells,)."""
        widths: Ints = np.diff(self.edges_ms)
        return widths

    @property
    def bps(self) -> Floats:
        """Rates of members, (n_ports, n_cells)."""
        rates: Floats = self.octets * 8000 / self.widths_ms
        return rates

    @property
    def total_bps(self) -> Floats:
        """Of all members together, (n_cells,); NaN where one is unknown."""
        total: Floats = self.bps.sum(axis=0)
        return total

    @property
    def poll_ms(self) -> int:
        """How far polls usually lie apart: nothing is known to have happened at a finer time."""
        return int(np.median(self.widths_ms)) if len(self.widths_ms) else 0

    def within(self, from_ms: int, to_ms: int) -> Truths:
        """Which cells lie wholly in [from_ms, to_ms) and are known of all members, (n_cells,)."""
        inside: Truths = (self.edges_ms[:-1] >= from_ms) & (self.edges_ms[1:] <= to_ms)
        return inside & ~np.isnan(self.octets).any(axis=0)


class Ports(NamedTuple):
    """A team's members: names by position in a run, and the speeds that are set, (n_ports,), 0 where none is."""

    names: dict[int, str]
    speeds_bps: Ints


def cells_of(told: Intervals, facts: FactsTable, direction: str, ports: Ports, between_ms: tuple[int, int]) -> Cells:
    """The cells of a team's members.

    Parameters
    ----------
    told : Intervals
        What became of the samples of some ports, in order of port and time.
    ports : Ports
        By position of the port in `told`.
    between_ms : (from, to)
        Nothing outside of it is taken.

    Returns
    -------
    Cells
        Between the polls of the member that was polled most often; where others were polled at other moments,
        what they counted is apportioned by time.
    """
    way = DIRECTIONS.index(direction)
    rows = [np.flatnonzero((told.port == port) & (told.end_ms > told.start_ms)) for port in ports.names]
    edges = _edges([_ends(told, some) for some in rows], between_ms)
    last = [int(told.facts[some[-1]]) if len(some) else UNKNOWN for some in rows]
    figures = [
        np.array([_apportioned(told, some, figure[some, way], edges) for some in rows]).reshape(len(rows), -1)
        for figure in (told.octets, told.frames, told.discards)
    ]
    claimed = [int(facts.speed_bps[at]) if at >= 0 else 0 for at in last]
    return Cells(
        ports=tuple(ports.names.values()),
        speeds_bps=np.where(ports.speeds_bps > 0, ports.speeds_bps, claimed).astype(np.int64),
        counts=np.array([int(facts.counts[at]) if at >= 0 else 0 for at in last], dtype=np.int64),
        edges_ms=edges,
        octets=figures[0],
        frames=figures[1],
        discards=figures[2],
    )


def _ends(told: Intervals, rows: Ints) -> Ints:
    return np.concatenate([told.start_ms[rows[:1]], told.end_ms[rows]]).astype(np.int64)


def _edges(ends: list[Ints], between_ms: tuple[int, int]) -> Ints:
    found = max(ends, key=len, default=np.zeros(0, dtype=np.int64))
    found = np.unique(found[(found >= between_ms[0]) & (found <= between_ms[1])])
    every = -(-len(found) // MOST_CELLS) or 1
    return found[::every] if len(found) > 1 else np.zeros(1, dtype=np.int64)


def _apportioned(told: Intervals, rows: Ints, figures: Ints, edges: Ints) -> Floats:
    """A counter's growth in each cell, NaN where not all of the cell was counted."""
    if not len(rows):
        return np.full(len(edges) - 1, np.nan)
    counted = figures != UNKNOWN
    starts, ends = told.start_ms[rows], told.end_ms[rows]
    # Two points an interval: between intervals that do not follow each other nothing is known to grow.
    at = np.column_stack((starts, ends)).ravel().astype(np.float64)
    grown = np.repeat(np.cumsum(np.where(counted, figures, 0)), 2).astype(np.float64)
    known = np.repeat(np.cumsum(np.where(counted, ends - starts, 0)), 2).astype(np.float64)
    grown[::2] -= np.where(counted, figures, 0)
    known[::2] -= np.where(counted, ends - starts, 0)
    widths = np.diff(edges)
    whole = np.diff(np.interp(edges, at, known)) >= WHOLE * widths
    found: Floats = np.where(whole, np.diff(np.interp(edges, at, grown)), np.nan)
    return found
