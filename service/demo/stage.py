"""Where the demo plays: the real service on a throw-away database and a loopback port, and its receiver."""

from __future__ import annotations

import contextlib
import secrets
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import httpx

from service import app
from service.app import Parts
from service.demo import receiver
from service.demo.clock import Clock
from service.demo.plots import START_MS
from service.demo.receiver import Receiver
from service.errors import WrongSetting
from service.settings.reading import Settings
from service.storage import database
from service.webhooks.client import Client

if TYPE_CHECKING:
    import socket

    from fastapi import FastAPI

LOOPBACK = receiver.LOOPBACK
ANSWER_S = 60


@dataclass(frozen=True)
class Stage:
    """The running service, whose clock and messages are the demo's, and a way to ask it things over HTTP."""

    parts: Parts
    clock: Clock
    receiver: Receiver
    address: str
    http: httpx.Client


@contextlib.contextmanager
def stage(port: int) -> Iterator[Stage]:
    """The service on a port of loopback, or on any free one where that is taken, for as long as the context lasts."""
    clock = Clock(START_MS)
    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="lopside-demo-"))
        heard = stack.enter_context(receiver.listening(clock, secrets.token_bytes(32)))
        parts = stack.enter_context(_parts(Path(folder), clock, heard))
        address = stack.enter_context(answering(app.web_of(parts), port))
        http = stack.enter_context(httpx.Client(base_url=address, timeout=ANSWER_S, trust_env=False))
        yield Stage(parts, clock, heard, address, http)


@contextlib.contextmanager
def _parts(folder: Path, clock: Clock, heard: Receiver) -> Iterator[Parts]:
    engine = database.open(f"sqlite:///{folder / 'demo.sqlite'}")
    database.upgrade(engine)
    # The defaults, whatever file and environment say: the demo shows the same to everybody.
    settings = Settings.model_construct()
    try:
        yield Parts(settings, engine, (heard.route,), Client(), clock.now_ms, owner="demo")
    finally:
        engine.dispose()


@contextlib.contextmanager
def answering(application: FastAPI, port: int) -> Iterator[str]:
    """The address at which the application answers; the door is open before anybody asks."""
    import uvicorn

    config = uvicorn.Config(application, log_config=None, access_log=False, timeout_graceful_shutdown=1)
    server = uvicorn.Server(config)
    with _door(port) as door:
        thread = threading.Thread(target=server.run, args=([door],), daemon=True)
        thread.start()
        try:
            yield f"http://{LOOPBACK}:{door.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join()


def _door(port: int) -> socket.socket:
    try:
        return app.bound(LOOPBACK, port)
    except WrongSetting:
        return app.bound(LOOPBACK, 0)
