"""Processes of the service as somebody starts them, over a real PostgreSQL and a receiver on loopback."""

from __future__ import annotations

import base64
import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import httpx
from receivers import SECRET, listening
from sqlalchemy import Engine, func, select
from walks.traffic import polls

from service.storage import database, tables

TOP = Path(__file__).parents[2]
PATIENCE_S = 90
SAMPLES = polls((4, (0.5, 0.5)))
SETTINGS = """
[server]
port = {port}
[database]
url = "{url}"
[rules]
window_seconds = {width}
raise_windows = 2
raise_of = 3
clear_windows = 2
[lateness]
pushed_s = {late}
[[routes]]
name = "on-call"
url = "{receiver}"
secret_env = "LOPSIDE_ON_CALL_SECRET"
allow_networks = ["127.0.0.0/8"]
"""


@dataclass
class Child:
    """One process of the service; started again whenever it was killed."""

    half: str
    settings: Path
    log: Path
    process: subprocess.Popen[bytes] | None = None
    environment: Mapping[str, str] = field(default_factory=dict)

    def start(self) -> None:
        told = {"LOPSIDE_ON_CALL_SECRET": secret_text(), "PYTHONPATH": str(TOP), **self.environment}
        command = [sys.executable, "-P", "-m", "service", self.half, "--settings", str(self.settings)]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                command, env={**os.environ, **told}, stdout=log, stderr=log, cwd=self.log.parent
            )

    def signal(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        self.signal(signal.SIGKILL)
        assert self.process is not None
        self.process.wait()

    def is_alive(self) -> bool:
        return self.process is not None and self.process.poll() is None


@dataclass(frozen=True)
class Service:
    """One `web` and some `work`, by the address of the one that answers."""

    address: str
    children: list[Child]

    @property
    def workers(self) -> list[Child]:
        return [child for child in self.children if child.half == "work"]


@contextlib.contextmanager
def running(
    url: str,
    folder: Path,
    *,
    workers: int = 1,
    width: int = 30,
    late: int = 90,
    environment: Mapping[str, str] | None = None,
    receiver: str = "",
) -> Iterator[Service]:
    """The service on a database, whose processes must all be alive at the end; whatever of them lives is ended."""
    port = free_port()
    with listening() as own:
        told = {"port": port, "url": url, "width": width, "late": late, "receiver": receiver or own.url()}
        (folder / "settings.toml").write_text(SETTINGS.format(**told))
        children = [
            Child(half, folder / "settings.toml", folder / f"{half}-{number}.log", environment=environment or {})
            for number, half in enumerate(["web"] + ["work"] * workers)
        ]
        service = Service(f"http://127.0.0.1:{port}", children)
        with ended_at_the_end(children):
            until(lambda: asked(f"{service.address}/healthz") == 200)
            yield service
            assert all(child.is_alive() for child in children), "a process did not survive"


@contextlib.contextmanager
def ended_at_the_end(children: list[Child]) -> Iterator[None]:
    """Start processes, and end those that live when the block is over."""
    try:
        for child in children:
            child.start()
        yield
    finally:
        for child in children:
            if child.is_alive():
                child.kill()


def secret_text() -> str:
    return "whsec_" + base64.b64encode(SECRET).decode()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as door:
        port: int = door.getsockname()[1]
    return port


def until(holds: Callable[[], bool], patience_s: float = PATIENCE_S) -> None:
    """Wait until something holds."""
    ends = time.monotonic() + patience_s
    while not holds():
        assert time.monotonic() < ends, "it never came to hold"
        time.sleep(0.2)


def asked(address: str) -> int | None:
    """What the service answers, None where it does not."""
    with contextlib.suppress(httpx.TransportError):
        return httpx.get(address, timeout=20).status_code
    return None


def push(address: str, first: int, last: int) -> httpx.Response:
    """Push some samples of a calm team, as if they had been taken until just now."""
    shift = int(time.time()) - SAMPLES[-1]["time"] - 10
    some = [{**one, "time": one["time"] + shift, "received_at": one["time"] + shift} for one in SAMPLES[first:last]]
    return httpx.post(f"{address}/v1/samples", json={"samples": some}, timeout=30)


@contextlib.contextmanager
def opened(url: str) -> Iterator[Engine]:
    """A database; no connection to it outlives the block, however it ends."""
    engine = database.open(url)
    try:
        yield engine
    finally:
        engine.dispose()


def upgrade(url: str) -> None:
    """Bring an empty database to the newest tables."""
    with opened(url) as engine:
        database.upgrade(engine)


def kept(url: str) -> int:
    """How many samples a database holds."""
    with opened(url) as engine, database.reading(engine) as connection:
        return connection.scalar(select(func.count()).select_from(tables.samples)) or 0


def is_told_to_come_again(answer: httpx.Response) -> None:
    """Hold a refusal against what whoever is refused for now must be told."""
    assert answer.status_code in (429, 503)
    assert int(answer.headers["retry-after"]) > 0
    assert answer.headers["content-type"] == "application/problem+json"
