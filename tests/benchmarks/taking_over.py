"""How long nobody evaluates after the worker that does was killed.

    PYTHONPATH=tests:. python tests/benchmarks/taking_over.py

kills the holder of the lease again and again over a PostgreSQL, and prints the seconds until another holds it.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

import postgres
from faults.processes import running, until
from faults.test_frozen import holder

from service.storage import database

TIMES = 12


def main() -> None:
    """Print the shortest, the middle and the longest of them."""
    took: list[float] = []
    with postgres.server() as url, tempfile.TemporaryDirectory() as folder:
        engine = database.open(url)
        database.upgrade(engine)
        with running(url, Path(folder), workers=3) as service:
            for _ in range(TIMES):
                until(lambda: holder(engine)[0] in {child.process.pid for child in service.workers if child.process})
                pid, epoch = holder(engine)
                (child,) = (one for one in service.workers if one.process and one.process.pid == pid)
                child.kill()
                begun = time.monotonic()
                until(lambda: holder(engine)[1] > epoch)  # noqa: B023  # asked within the turn of the loop
                took.append(time.monotonic() - begun)
                child.start()
        engine.dispose()
    print(f"{TIMES} times: {min(took):.1f}, {statistics.median(took):.1f}, {max(took):.1f} s")


if __name__ == "__main__":
    main()
