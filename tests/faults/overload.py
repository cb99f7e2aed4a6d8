"""More than the service is made for, sent by a load tool (Debian's `wrk`).

    PYTHONPATH=tests:. python tests/faults/overload.py

prints what was held and what was refused over a PostgreSQL whose commits reach the disk.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import postgres
import pytest
from faults.processes import kept, running, upgrade

HERE = Path(__file__).parent
FETCHED = HERE.parents[1] / ".venv-tests" / "packages-wrk"
BACK_S = 1_800


def tool() -> tuple[str, dict[str, str]]:
    """Where wrk is, of the machine or as `tests/packages` brought it, and what its environment needs."""
    if found := shutil.which("wrk"):
        return found, {}
    fetched = FETCHED / "usr" / "bin" / "wrk"
    if not fetched.exists():
        pytest.skip("no wrk here; tests/packages says why")
    libraries = {str(path.parent) for path in FETCHED.glob("**/*.so*")}
    return str(fetched), {"LD_LIBRARY_PATH": ":".join(sorted(libraries))}


def load(address: str, *, seconds: int, connections: int, batch: int) -> dict[str, Any]:
    """Push batches as fast as they are answered; samples acknowledged, requests shed, shed without a word when to come.

    At the end wrk forgets what is under way, so that a batch a connection may be kept without having been counted.
    """
    program, environment = tool()
    told = {"LOPSIDE_BATCH": str(batch), "LOPSIDE_BEGINS_MS": str((int(time.time()) - BACK_S) * 1000)}
    arguments = ["-t", "2", "-c", str(connections), "-d", f"{seconds}s", "-s", str(HERE / "load.lua"), address]
    done = subprocess.run(
        [program, *arguments], env={**os.environ, **environment, **told}, capture_output=True, text=True, check=True
    )
    counts: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return counts


def main() -> None:
    """By hand: what is held with few and with many connections."""
    with postgres.server(durable=True) as url, tempfile.TemporaryDirectory() as folder:
        environment = {"LOPSIDE_SERVER__REQUESTS_PER_S": "100000"}
        upgrade(url)
        with running(url, Path(folder), environment=environment) as service:
            for connections in (2, 4, 8, 64):
                counts = load(service.address, seconds=15, connections=connections, batch=1_000)
                rate = counts["acknowledged"] / counts["seconds"]
                print(f"{connections} connections: {rate:,.0f} samples/s, {counts}, {kept(url)} kept")


if __name__ == "__main__":
    main()
