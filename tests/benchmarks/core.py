"""The core against its bounds, each taken in the same run: ratios, which a noisy machine blurs less than seconds.

Run by `python tests/benchmarks/core.py`; needs 6 GB of memory (the data frame does) and about three minutes.
"""

from __future__ import annotations

import resource
import sys
import tracemalloc
from pathlib import Path

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[2])]  # run as a file, from anywhere

from timing import fastest  # noqa: E402  # found only now

from service.numerics import history  # noqa: E402  # found only now
from service.rules import unfit  # noqa: E402  # found only now
from service.rules.kinds import team_windows  # noqa: E402  # found only now
from service.rules.life import advance, fresh  # noqa: E402  # found only now
from service.rules.table import rule_table  # noqa: E402  # found only now
from service.terms import (  # noqa: E402  # found only now
    MOST_MEMBERS,
    UNKNOWN,
    Facts,
    FactsTable,
    Layout,
    PortName,
    Rule,
    Samples,
    Span,
    TeamName,
)

PORTS, MEMBERS = 1_000_000, 5
HISTORY_PORTS, WINDOWS = 10_000, 2_880
NONE_TOLD = np.empty(0, dtype=np.int64)
FACTS = FactsTable.of([Facts(speed_bps=1_000_000_000, oper=1)])
FACTS_OF_A_DAY = FactsTable.of([Facts(speed_bps=1_000_000_000, oper=oper) for oper in (1, 2)])


def a_round(at_ms: int, counters: np.ndarray) -> Samples:
    """One sample of every port, all twelve counters, with ticks and times."""
    ports = len(counters)
    whole = np.full(ports, at_ms, dtype=np.int64)
    return Samples(
        port=np.arange(ports, dtype=np.int32),
        at_ms=whole,
        facts=np.zeros(ports, dtype=np.int32),
        known=np.full(ports, 0xFFF, dtype=np.uint16),
        counters=counters,
        received_ms=whole.copy(),
        uptime_ticks=whole // 10,
        discontinuity_ticks=np.zeros(ports, dtype=np.int64),
    )


def a_day(ports: int) -> Samples:
    """24 hours of 30 s samples of two octet counters of each port, without a copy more than needed."""
    rng = np.random.default_rng(1)
    counters = np.empty((ports * WINDOWS, 2), dtype=np.uint64)
    for port in range(ports):
        grown = rng.integers(0, 3_750_000_000, (WINDOWS, 2), dtype=np.uint64)
        np.cumsum(grown, axis=0, out=counters[port * WINDOWS : (port + 1) * WINDOWS])
    return Samples(
        port=np.repeat(np.arange(ports, dtype=np.int32), WINDOWS),
        at_ms=np.tile(np.arange(WINDOWS, dtype=np.int64) * 30_000, ports),
        facts=np.zeros(ports * WINDOWS, dtype=np.int32),
        known=np.full(ports * WINDOWS, 0b11, dtype=np.uint16),
        counters=counters,
        received_ms=NONE_TOLD,
        uptime_ticks=NONE_TOLD,
        discontinuity_ticks=NONE_TOLD,
        columns=(0, 1),
    )


def off_the_edges(samples: Samples) -> None:
    """Poll each port at its own moment of the half minute, a tenth of a second more or less, at half the load."""
    rng = np.random.default_rng(2)
    samples.at_ms[:] += rng.integers(0, 30_000, HISTORY_PORTS).repeat(WINDOWS)
    samples.at_ms[:] += rng.integers(-100, 101, len(samples))
    samples.counters[:] >>= np.uint64(1)  # or many an interval would hold more than its line carries


def with_changes(samples: Samples) -> None:
    """Let every tenth port lose its link at noon."""
    samples.facts.reshape(HISTORY_PORTS, WINDOWS)[::10, WINDOWS // 2 :] = 1


def a_layout(ports: int) -> Layout:
    """So many ports of one device; teams play no part here."""
    nobody = np.empty((0, 8), dtype=np.int32)
    names = tuple(PortName("sm-01", f"p{port}") for port in range(ports))
    return Layout(("sm-01",), names, (), np.zeros(ports, dtype=np.int32), np.empty(0, dtype=np.int32), nobody)


def in_teams(count: int) -> Layout:
    """So many teams of one device, MEMBERS ports each."""
    names = tuple(TeamName("sm-01", f"t{team}") for team in range(count))
    seats = np.full((count, MOST_MEMBERS), UNKNOWN, dtype=np.int32)
    seats[:, :MEMBERS] = np.arange(count * MEMBERS).reshape(count, MEMBERS)
    nowhere = np.zeros(count, dtype=np.int32)
    return Layout(("sm-01",), (), names, np.zeros(count * MEMBERS, dtype=np.int32), nowhere, seats)


def in_floats(samples: Samples) -> pd.DataFrame:
    """What a plain data frame does of it: difference and resample in floats, no checks at all."""
    frame = pd.DataFrame(
        {
            "port": samples.port,
            "at": pd.to_datetime(samples.at_ms, unit="ms"),
            "out": samples.counters[:, 0].astype(np.float64),
            "in": samples.counters[:, 1].astype(np.float64),
        }
    )
    frame[["out", "in"]] = frame.groupby("port")[["out", "in"]].diff()
    return frame.set_index("at").groupby("port")[["out", "in"]].resample("30s").sum()


def tick() -> None:
    """One evaluation tick: a new sample of each of a million ports, twelve counters, one window."""
    rng = np.random.default_rng(1)
    start = rng.integers(0, 1 << 40, (PORTS, 12)).astype(np.uint64)
    step = np.array([3e9, 2e9, 4e6, 3e6, 10, 10, 10, 10, 0, 0, 0, 0]).astype(np.uint64)
    before, now, span = a_round(0, start), a_round(30_000, start + step), Span(0, 1)
    state = np.zeros(140 * PORTS, dtype=np.uint8)
    copy_s = fastest(state.copy, 5)
    tick_s = fastest(lambda: history.tick(now, FACTS, PORTS, span, before=before), 5)
    tracemalloc.start()
    windows = history.tick(now, FACTS, PORTS, span, before=before)
    peak = tracemalloc.get_traced_memory()[1] / PORTS
    tracemalloc.stop()
    carried = sum(column.nbytes for column in vars(before).values() if isinstance(column, np.ndarray)) / PORTS
    layout = in_teams(PORTS // MEMBERS)
    table = rule_table((Rule(),) * len(layout.teams), layout.teams, span.width_ms)
    judged = team_windows(windows, layout, table)
    kinds_s = fastest(lambda: team_windows(windows, layout, table), 5)
    life = fresh(len(layout.teams))
    unfit_s = fastest(lambda: unfit.marked(life, windows, layout, table), 5)
    life_s = fastest(lambda: advance(life, judged, table), 5)
    print(f"tick, {PORTS:,} ports x 1 sample x 12 counters: {tick_s * 1e3:.0f} ms (aim: at most 300)")
    print(f"  copy of 140 B a port: {copy_s * 1e3:.1f} ms; tick is {tick_s / copy_s:.1f} x the copy bound")
    print(f"  memory: {peak:.0f} B a port of windows and work, {carried:.0f} B carried (aim: at most 300 together)")
    print(f"  measures and kinds of {len(layout.teams):,} teams of {MEMBERS}, both ways: {kinds_s * 1e3:.0f} ms")
    print(f"  unfit members of them: {unfit_s * 1e3:.0f} ms; raise and clear of findings: {life_s * 1e3:.0f} ms")


def day() -> None:
    """24 h x 30 s of two octet counters of ten thousand ports, side by side with a data frame of the same."""
    samples, span = a_day(HISTORY_PORTS), Span(0, WINDOWS)
    layout = a_layout(HISTORY_PORTS)
    ours_s = fastest(lambda: history.history(samples, FACTS, layout, span))
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    count = HISTORY_PORTS * WINDOWS / 1e6
    each_ns = ours_s * 1e3 / count
    print(f"history, {HISTORY_PORTS:,} ports ({count:.1f} M samples): {ours_s:.2f} s, {each_ns:.0f} ns each")
    print(f"  most memory of the process, with samples: {peak_gb:.2f} GiB (aim: at most 3 GB)")
    frame_s = fastest(lambda: in_floats(samples), 1)
    print(f"  pandas diff and resample in floats: {frame_s:.1f} s, {frame_s / ours_s:.1f} times as long (aim: 15)")
    for what, spoil in (
        ("polls off the edges of windows", off_the_edges),
        ("a change of state in one port of ten", with_changes),
    ):
        spoil(samples)
        other_s = fastest(lambda: history.history(samples, FACTS_OF_A_DAY, layout, span))
        print(f"  with {what}: {other_s:.2f} s, pandas {frame_s / other_s:.1f} times as long")


if __name__ == "__main__":
    print("processor seconds of one thread, the fastest of a few runs")
    day()  # first, so that its peak is its own
    tick()
