"""Advice for one finding against its goal, and beside what its odds alone cost: a service answers while somebody waits.

Run by `python tests/benchmarks/advice.py`.
"""

from __future__ import annotations

import random
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]  # run as a file, from anywhere

from advice_examples import MEGABIT, a_situation, virtual_ports  # noqa: E402  # found only now

from service.numerics.odds import chances  # noqa: E402  # found only now
from service.rules.advice import ground, placing  # noqa: E402  # found only now
from service.rules.advice.advising import advised  # noqa: E402  # found only now
from service.rules.diagnoses.diagnosing import diagnosed  # noqa: E402  # found only now

GOAL_MS = 300
TIMES = 5
DRAWN = random.Random(1)
TWENTY = virtual_ports({f"port-{number}": DRAWN.randint(20, 70) for number in range(20)})
STREAMS = {"night-copy": 8, "scan-index": 6}
CASES = {
    "no items known": (a_situation(items=()), {}),
    "4 virtual ports on 2 members": (a_situation(), {}),
    "the same with 8 and 6 streams": (a_situation(), STREAMS),
    "20 virtual ports on 2 members": (a_situation(items=TWENTY), {}),
    "20 on 2, squeezed, three demands": (a_situation((0.98, 0.02), items=TWENTY), {}),
}


def fastest_ms(work) -> float:
    """Processor milliseconds of the fastest of some runs, nothing remembered of the runs before."""
    took = []
    for _ in range(TIMES):
        ground._chances.cache_clear()
        placing._moved.cache_clear()
        began = time.process_time()
        work()
        took.append(1000 * (time.process_time() - began))
    return min(took)


def main() -> int:
    """Print a line a case; 1 where one misses the goal."""
    missed = 0
    for name, (situation, streams) in CASES.items():
        # A finding that is kept was explained when it was raised.
        known = diagnosed(situation)
        took = fastest_ms(lambda s=situation, known=known, n=streams: advised(s, diagnoses=known, streams=n))
        missed += took > GOAL_MS
        print(f"advice, {name}: {took:.1f} ms (goal {GOAL_MS} ms)", flush=True)
    rates, speeds = [item.bps for item in TWENTY], [1000.0 * MEGABIT] * 2
    alone = fastest_ms(lambda: chances(rates, speeds, [0.0, 0.0], 0.55, demands=(1.0,)))
    print(f"one exact odds of 20 on 2 alone: {alone:.1f} ms")
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
