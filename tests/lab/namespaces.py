"""Network namespaces of one run: made, entered and deleted by name, and processes inside that end by themselves."""

from __future__ import annotations

import ctypes
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

PREFIX = "lopside-lab"
# Where programs of the administrator lie is not on everybody's PATH.
PATH = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
NAMES = Path("/run/netns")
COMMAND_S, LIFE_S = 30, 900
CLONE_NEWNET = 0x40000000

Result = TypeVar("Result")


class LabTrouble(Exception):
    """A step of the laboratory failed; says which command, and what it answered."""


def run(*command: object, told: str | None = None) -> str:
    """What a command says; one that fails or takes too long is trouble."""
    words = [str(word) for word in command]
    try:
        done = subprocess.run(
            words, input=told, capture_output=True, text=True, timeout=COMMAND_S, check=False, env=_environment()
        )
    except (OSError, subprocess.TimeoutExpired) as wrong:
        raise LabTrouble(f"{' '.join(words)}: {wrong}") from wrong
    if done.returncode:
        raise LabTrouble(f"{' '.join(words)}: {(done.stderr or done.stdout).strip()}")
    return done.stdout


def _environment() -> dict[str, str]:
    return {**os.environ, "PATH": PATH, "LC_ALL": "C.UTF-8"}


def ip(namespace: str, lines: Iterable[str]) -> str:
    """Many commands of `ip` in one process."""
    return run("ip", "-n", namespace, "-batch", "-", told="\n".join(lines) + "\n")


def execute(namespace: str, *command: object) -> str:
    """What a command says that runs inside, with that namespace's /sys."""
    return run("ip", "netns", "exec", namespace, *command)


def sysctl(namespace: str, **values: object) -> None:
    """Set values of /proc/sys inside; two underscores stand for a dot."""
    execute(namespace, "sysctl", "-qw", *(f"{key.replace('__', '.')}={value}" for key, value in values.items()))


def within(namespace: str) -> list[str]:
    """The words in front of a command that lives inside for long: it dies with the process that started it."""
    return ["setpriv", "--pdeathsig", "TERM", "ip", "netns", "exec", namespace]


def started(namespace: str, *command: object, log: Path, life_s: int = LIFE_S) -> subprocess.Popen[bytes]:
    """A process inside that ends by itself after its life, whatever becomes of us."""
    with log.open("ab") as written:
        return subprocess.Popen(
            [*within(namespace), "timeout", "-k", "5", str(life_s), *map(str, command)],
            stdin=subprocess.DEVNULL,
            stdout=written,
            stderr=written,
            env=_environment() | {"PYTHONUNBUFFERED": "1"},
        )


def inside(namespace: str, call: Callable[[], Result]) -> Result:
    """What a call answers that is made inside; sockets that it opens stay there wherever they are used."""

    def entered() -> Result:
        with (NAMES / namespace).open() as door:
            if ctypes.CDLL(None, use_errno=True).setns(door.fileno(), CLONE_NEWNET):
                raise LabTrouble(f"{namespace}: {os.strerror(ctypes.get_errno())}")
        return call()

    # A thread of its own, which ends with the call: only it is inside.
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(entered).result()


@contextmanager
def namespaces(roles: Sequence[str]) -> Iterator[dict[str, str]]:
    """A namespace for each role, with names that only this run has, deleted at the end."""
    forget_leftovers()
    names = {role: f"{PREFIX}-{os.getpid()}-{role}" for role in roles}
    made: list[str] = []
    try:
        for name in names.values():
            run("ip", "netns", "add", name)
            made.append(name)
            ip(name, ["link set lo up"])
        yield names
    finally:
        for name in reversed(made):
            delete(name)


def delete(name: str) -> None:
    """Delete a namespace; whatever was in it goes with it."""
    try:
        run("ip", "netns", "del", name)
    except LabTrouble as wrong:
        print(wrong, file=sys.stderr)


def forget_leftovers() -> list[str]:
    """Delete the namespaces of runs that were killed: their names say whose they were."""
    left = [name for name in sorted(existing()) if _is_left_over(name)]
    for name in left:
        delete(name)
    return left


def existing() -> set[str]:
    """The names of all namespaces."""
    return {path.name for path in NAMES.iterdir()} if NAMES.is_dir() else set()


def _is_left_over(name: str) -> bool:
    owner = re.fullmatch(rf"{PREFIX}-(\d+)-\w+", name)
    return owner is not None and not Path(f"/proc/{owner[1]}").exists()
