"""All benchmarks, one after the other, each in a process of its own: figures as ratios, with their goals beside them.

Run as `.venv-tests/bin/python tests/benchmarks/run.py [NAME ...]`.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
TOP = HERE.parents[1]
NAMES = (
    "start",
    "core",
    "storage",
    "ingest",
    "collection",
    "odds",
    "advice",
    "verdicts",
    "coverage",
    "replay",
    "pages",
    "close_looks",
)
MOST_S = 1800


def main(names: list[str]) -> int:
    """Run the named benchmarks, or all; how many failed."""
    unknown = [name for name in names if name not in NAMES]
    if unknown:
        print(f"there is no benchmark {', '.join(unknown)}; there are {', '.join(NAMES)}", file=sys.stderr)
        return 2
    paths = os.pathsep.join((str(HERE), str(TOP / "tests"), str(TOP)))
    failed = 0
    for name in names or NAMES:
        print(f"== {name}", flush=True)
        done = subprocess.run(
            [sys.executable, str(HERE / f"{name}.py")],
            cwd=TOP,
            env={**os.environ, "PYTHONPATH": paths},
            timeout=MOST_S,
            check=False,
        )
        failed += done.returncode != 0
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
