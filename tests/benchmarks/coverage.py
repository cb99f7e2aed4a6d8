"""How often the 95 % interval of a verdict holds the truth, on simulated first-order autoregressions.

Run by `python tests/benchmarks/coverage.py`; about two minutes. Seeded, so that the figures come out again.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]  # run as a file, from anywhere

from verdict_examples import apart, wandering  # noqa: E402  # found only now

from service.rules.verdicts.comparing import verdicts  # noqa: E402  # found only now
from service.rules.verdicts.deciding import is_enough  # noqa: E402  # found only now
from service.rules.verdicts.series import Series  # noqa: E402  # found only now
from service.terms import Verdict  # noqa: E402  # found only now

NIGHT = 930
RHOS = (0.0, 0.5, 0.8, 0.9, 0.95, 0.98)
DEVIATION = 0.03


class Covered(NamedTuple):
    """Shares of the simulated changes: intervals that hold the truth, all, and where enough was seen."""

    all: float
    enough: float
    share_enough: float
    naive: float
    effective: float


def simulated(
    rho: float, teams: int, *, before: int = 3, after: int = 1, seed: int = 1, change: float = 0.0
) -> tuple[Series, Series]:
    """Nights before and after a change of so much, as one pair of series."""
    rng = np.random.default_rng(seed)
    return _nights(rho, teams, before, 0.2, rng), _nights(rho, teams, after, 0.2 + change, rng)


def covered(rho: float, teams: int, **told: int) -> Covered:
    """What share of intervals holds a difference of nothing."""
    before, after = simulated(rho, teams, **told)
    found = verdicts(before, after)
    hold = np.array([_holds(one) for one in found])
    enough = np.array([is_enough(one.before) and is_enough(one.after) for one in found])
    naive = _naive(before, after)
    return Covered(
        all=float(hold.mean()),
        enough=float(hold[enough].mean()) if enough.any() else float("nan"),
        share_enough=float(enough.mean()),
        naive=float(naive),
        effective=float(np.median([one.after.effective for one in found])),
    )


def resampled(rho: float, teams: int, seed: int = 1) -> float:
    """What share of the block bootstrap's intervals holds the truth, four nights on either side."""
    before, after = simulated(rho, teams, before=4, after=4, seed=seed)
    found = verdicts(before, after)
    return float(np.mean([one.boot_low <= 0 <= one.boot_high for one in found]))


def _nights(rho: float, teams: int, count: int, level: float, rng: np.random.Generator) -> Series:
    nights = [wandering(teams, NIGHT, rho, DEVIATION, rng) for _ in range(count)]
    starts = np.concatenate([np.arange(NIGHT) * 30_000 + night * 86_400_000 for night in range(count)])
    return apart(level + np.concatenate(nights, axis=1), starts=starts)


def _holds(verdict: Verdict) -> bool:
    return verdict.low is not None and verdict.high is not None and verdict.low <= 0 <= verdict.high


def _naive(before: Series, after: Series) -> float:
    """The share of intervals that would hold the truth if windows were taken for independent."""
    difference = after.excess.mean(axis=1) - before.excess.mean(axis=1)
    error = np.sqrt(sum(side.excess.var(axis=1, ddof=1) / side.excess.shape[1] for side in (before, after)))
    return float(np.mean(np.abs(difference) <= 1.96 * error))


def main() -> None:
    """Measure and print."""
    print("three nights of 930 windows before and one after; coverage of the 95 % interval")
    for rho in RHOS:
        found = covered(rho, 2000)
        print(
            f"rho {rho:.2f}: {found.all:.1%}; where enough was seen {found.enough:.1%} (of {found.share_enough:.0%});"
            f" taken for independent {found.naive:.1%}; effective size after {found.effective:.0f}"
        )
    for rho in (0.5, 0.9):
        print(f"block bootstrap, four nights on either side, rho {rho:.2f}: {resampled(rho, 300):.1%}")


if __name__ == "__main__":
    main()
