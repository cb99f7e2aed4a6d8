"""The same core over more than memory likes: some ports at a time, nothing kept but what is asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from service.numerics import steady
from service.numerics.interval_loop import Ends
from service.numerics.intervals import into
from service.numerics.intervals import room_for as room_for_intervals
from service.numerics.window_loop import Figures, Grid
from service.numerics.windows import COVERAGE_MIN, HOT_ABOVE, lay_all, ports_of, room_for, windows_of
from service.terms import (
    Bytes,
    FactsTable,
    Floats,
    Intervals,
    Ints,
    Layout,
    Marks,
    MemberWindows,
    Samples,
    Singles,
    Span,
)

# Rows of one block: 4 MB of intervals, few enough for the processor's last cache, many enough to call seldom.
BLOCK_ROWS = 65536


@dataclass(frozen=True)
class History:
    """Every port in every window of a long span, without bounds and packet figures: shape (n_ports, n_windows[, 2])."""

    span: Span
    utilisation: Floats
    coverage: Singles
    basis: Bytes
    marks: Marks
    why_not: Bytes


def history(
    samples: Samples,
    facts: FactsTable,
    layout: Layout,
    span: Span,
    *,
    before: Samples | None = None,
    block: int = BLOCK_ROWS,
    workers: int = 1,
) -> History:
    """Windows of a long span in bounded memory: 30 bytes a port and window, and one block of intervals a worker.

    Parameters
    ----------
    samples : Samples
        Sorted by port and time, without repeats of one instant.
    block : int
        How many samples, roughly, are in work at a time.
    workers : int
        Threads that share the blocks; the loops run outside the interpreter's lock.
    """
    out = room_for(len(layout.ports), span.count, described=False)
    _through(Work(samples, facts, before, None), span, out, block, workers)
    return History(span, out.utilisation, out.coverage, out.basis, out.marks, out.why_not)


def tick(
    samples: Samples,
    facts: FactsTable,
    n_ports: int,
    span: Span,
    *,
    before: Samples | None = None,
    shift_ms: Ints | None = None,
    block: int = BLOCK_ROWS,
) -> MemberWindows:
    """Windows of all ports after a round of samples: what `member_windows` makes of `intervals`, without the intervals.

    At a million ports the intervals of a round are larger than the windows and nobody reads
    them, so they are dropped block by block.
    """
    out = room_for(n_ports, span.count, described=True)
    _through(Work(samples, facts, before, shift_ms), span, out, block)
    return windows_of(out, span)


class Work(NamedTuple):
    """What goes through the core."""

    samples: Samples
    facts: FactsTable
    before: Samples | None
    shift_ms: Ints | None


def _through(work: Work, span: Span, out: Figures, block: int, workers: int = 1) -> None:
    """Take every block of ports from samples to windows."""
    blocks = list(_blocks(work.samples, len(out.utilisation), block))
    if workers == 1:
        _take(work, span, out, blocks)
        return
    with ThreadPoolExecutor(workers) as threads:
        list(threads.map(lambda some: _take(work, span, out, some), (blocks[k::workers] for k in range(workers))))


def _take(work: Work, span: Span, out: Figures, blocks: Sequence[tuple[int, int]]) -> None:
    """Take some blocks of ports through the core, one after the other, in one set of arrays."""
    grid = Grid(span.first_ms, span.width_ms, COVERAGE_MIN, HOT_ABOVE)
    ports = ports_of(work.facts)
    rows_of = [_rows_of(work.samples, first, end) for first, end in blocks]
    # Fresh arrays for each block would be cleared by the system each time, which costs as much as a loop.
    longest = max((rows.stop - rows.start for rows in rows_of), default=0)
    ends = room_for_intervals(work.samples.take(slice(0, longest)), work.facts)
    for (first, end), rows in zip(blocks, rows_of, strict=True):
        here, left = Figures._make(figure[first:end] for figure in out), [(0, end - first)]
        if steady.is_lean(work.samples, work.shift_ms, out):
            left = steady.lay(work.samples.take(rows), _carried(work, first, end), ports, grid, first, here)
        for start, stop in left:
            some = Figures._make(figure[start:stop] for figure in here)
            lay_all(_intervals(work, first + start, first + stop, span, ends), ports, grid, first + start, some)


def _intervals(work: Work, first: int, end: int, span: Span, ends: Ends) -> Intervals:
    """The intervals of a range of ports, in the arrays given."""
    rows = _rows_of(work.samples, first, end)
    return into(
        Ends._make(column[: rows.stop - rows.start] for column in ends),
        work.samples.take(rows),
        work.facts,
        _carried(work, first, end),
        work.shift_ms[rows] if work.shift_ms is not None else None,
        span.width_ms,
    )


def _carried(work: Work, first: int, end: int) -> Samples | None:
    return work.before.take(_rows_of(work.before, first, end)) if work.before is not None else None


def _blocks(samples: Samples, n_ports: int, rows: int) -> Iterator[tuple[int, int]]:
    """Ranges of ports, all of them, with about so many samples each; a port is never split."""
    cuts = samples.port[rows::rows].tolist()
    first = 0
    for end in [*dict.fromkeys(cuts), n_ports]:
        if end > first:
            yield first, end
            first = end


def _rows_of(samples: Samples, first: int, end: int) -> slice:
    """The rows of a range of ports, samples being sorted by port."""
    start, stop = np.searchsorted(samples.port, np.array([first, end], dtype=samples.port.dtype))
    return slice(int(start), int(stop))
