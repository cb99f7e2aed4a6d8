"""Verdicts of ten thousand teams, three nights before and one after each, against passes of numpy over the same arrays.

Run by `python tests/benchmarks/verdicts.py`; needs 3 GB of memory and about a minute.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]  # run as a file, from anywhere

from timing import fastest  # noqa: E402  # found only now
from verdict_examples import a_series, wandering  # noqa: E402  # found only now

from service.numerics.autocorrelation import taus  # noqa: E402  # found only now
from service.rules.verdicts.comparing import verdicts  # noqa: E402  # found only now
from service.rules.verdicts.series import Series  # noqa: E402  # found only now

TEAMS, NIGHT, NIGHTS = 10_000, 930, 3
RHO = 0.9
ARRAYS = ("even_split", "busiest", "share", "total_bps", "position", "eligible", "flagged", "dropped", "sent")


def nights(count: int, level: float, seed: int) -> Series:
    """So many nights of all teams, two members each: what one carries more wanders about a level."""
    rng = np.random.default_rng(seed)
    apart = level + wandering(TEAMS, count * NIGHT, RHO, 0.03, rng)
    even = 0.45 + 0.02 * rng.standard_normal(apart.shape)
    starts = np.concatenate([np.arange(NIGHT) * 30_000 + night * 86_400_000 for night in range(count)])
    return a_series(np.stack([even + apart, even - apart]), starts=starts + seed * 30 * 86_400_000)


def pass_over(*sides: Series) -> None:
    """One pass of numpy over all arrays that a verdict reads: the mean of each team."""
    for side in sides:
        for name in ARRAYS:
            getattr(side, name).mean(axis=1)


def main() -> None:
    """Measure and print."""
    before, after = nights(NIGHTS, 0.40, 1), nights(1, 0.10, 2)
    told = verdicts(before, after)  # compiles
    whole = fastest(lambda: verdicts(before, after))
    all_arrays = fastest(lambda: pass_over(before, after))
    one = before.excess
    one_array = fastest(lambda: one.mean(axis=1))
    tau = fastest(lambda: taus(one, before.breaks()), 1)
    print(f"{TEAMS:,} teams, {NIGHTS} nights of {NIGHT} windows before and one after, first: {told[0].text}")
    print(
        f"verdicts: {whole:.2f} s, {whole / all_arrays:.1f} times one numpy pass over what they read"
        f" ({all_arrays:.2f} s); goal at most 10"
    )
    print(f"beside it: {whole / one_array:.0f} times a pass over the excess alone ({one_array:.3f} s); tau {tau:.2f} s")


if __name__ == "__main__":
    main()
