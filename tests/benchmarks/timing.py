"""How benchmarks take time: processor time, which the machine's other work disturbs least."""

from __future__ import annotations

import time
from collections.abc import Callable


def fastest(work: Callable[[], object], times: int = 3) -> float:
    """Processor seconds of the fastest of some runs."""
    took = []
    for _ in range(times):
        began = time.process_time()
        work()
        took.append(time.process_time() - began)
    return min(took)
