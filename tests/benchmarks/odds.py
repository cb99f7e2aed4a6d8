"""Odds and placements against their bounds: twenty items on two links exactly, and what is drawn or optimised.

Run by `python tests/benchmarks/odds.py`; takes some seconds.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[2])]  # run as a file, from anywhere

from timing import fastest  # noqa: E402  # found only now

from service.numerics.odds import chances  # noqa: E402  # found only now
from service.numerics.placement import best, moved_by_load  # noqa: E402  # found only now

GIGABIT = 1_000_000_000
AIM_MS = 50
TIMES = 5
RATES = np.random.default_rng(1).integers(10_000_000, 80_000_000, 64).tolist()


def fastest_ms(work: Callable[[], object], times: int = TIMES) -> float:
    """Processor milliseconds of the fastest of some runs."""
    return 1e3 * fastest(work, times)


def all_sums() -> np.ndarray:
    """The bound: the sums of all 2^20 subsets, once, as plainly as numpy does it."""
    sums = np.zeros(1, dtype=np.int64)
    for rate in RATES[:20]:
        sums = np.concatenate([sums, sums + rate])
    return sums


def main() -> int:
    """Print each figure with its aim; 1 where twenty items on two links take longer than they may."""
    links = ([GIGABIT] * 2, [0, 0], 0.75)
    exact_ms = fastest_ms(lambda: chances(RATES[:20], *links, demands=(1.0,)))
    plain_ms = fastest_ms(all_sums)
    print(f"20 items on 2 links, exactly: {exact_ms:.2f} ms (aim: under {AIM_MS})")
    print(f"  the sums of all subsets, plainly: {plain_ms:.1f} ms; ours is {plain_ms / exact_ms:.0f} times as quick")
    few, eight = ([GIGABIT] * 4, [0] * 4), ([GIGABIT] * 8, [0] * 8)
    print(f"  three demands: {fastest_ms(lambda: chances(RATES[:20], *links)):.2f} ms")
    more = ([GIGABIT] * 2, [0, 0], 0.9)
    print(f"36 items on 2 links, exactly: {fastest_ms(lambda: chances(RATES[:36], *more, demands=(1.0,))):.0f} ms")
    print(f"10 items on 4 links, exactly: {fastest_ms(lambda: chances(RATES[:10], *few, 0.2, demands=(1.0,))):.0f} ms")
    print(f"20 items on 4 links, drawn: {fastest_ms(lambda: chances(RATES[:20], *few, 0.3, demands=(1.0,))):.0f} ms")
    print(f"best placement, 4 items on 2 links: {fastest_ms(lambda: best(RATES[:4], *links[:2])):.0f} ms")
    print(f"best placement, 20 items on 2 links: {fastest_ms(lambda: best(RATES[:20], *links[:2])):.0f} ms")
    print(f"best placement, 64 items on 8 links: {fastest_ms(lambda: best(RATES, *eight), 2):.0f} ms")
    by_load_ms = fastest_ms(lambda: moved_by_load(RATES[:20], [0] * 20, *links))
    print(f"placement by load, 20 items on 2 links: {by_load_ms:.1f} ms")
    return int(exact_ms >= AIM_MS)


if __name__ == "__main__":
    sys.exit(main())
