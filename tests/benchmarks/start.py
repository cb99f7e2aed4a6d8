"""How long `lopside --help` takes, as a ratio to a Python that does nothing, started in turns with it."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

ROUNDS = 15
BOUND_S = 0.25


def seconds(*arguments: str) -> float:
    """How long a Python with these arguments takes from start to end."""
    begun = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def main() -> None:
    """Measure and print."""
    pairs = [(seconds("-m", "service", "--help"), seconds("-c", "pass")) for _ in range(ROUNDS)]
    told = statistics.median(pair[0] for pair in pairs)
    bare = statistics.median(pair[1] for pair in pairs)
    print(f"lopside --help {told * 1000:.0f} ms, bare python {bare * 1000:.0f} ms, ratio {told / bare:.1f}")
    print(f"bound {BOUND_S * 1000:.0f} ms: {'held' if told < BOUND_S else 'MISSED'}")


if __name__ == "__main__":
    main()
