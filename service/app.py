"""Puts the parts together, and holds the only clock."""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import structlog
from sqlalchemy import Engine

from service import schedule
from service.errors import DatabaseNotReady, WrongSetting
from service.schedule import Job
from service.settings.reading import Settings
from service.settings.references import database_url, routes_of
from service.storage import database, keys, leases
from service.webhooks.client import Client
from service.webhooks.routes import Route

if TYPE_CHECKING:
    from fastapi import FastAPI

    from service.delivery import Send
    from service.storage.retention import Retention

EVALUATE_EVERY_S = 2
DELIVER_EVERY_S = 1
CLEAN_EVERY_S = 600
# Long enough for the largest tick; a worker that dies is missed no longer than this.
LEASE_MS = 60_000
# A backlog is worked off in many rounds, so that a lease is renewed in between; bounded, so that a stop is heard.
MOST_ROUNDS = 1000
GRACE_S = 10

log = structlog.get_logger("app")


def now_ms() -> int:
    """The time; everything below is handed it."""
    return time.time_ns() // 1_000_000


@dataclass(frozen=True)
class Parts:
    """What the halves of the service have in common."""

    settings: Settings
    engine: Engine
    routes: tuple[Route, ...] = ()
    send: Send | None = None
    clock: Callable[[], int] = now_ms
    owner: str = ""


def parts_of(settings: Settings, *, migrate: bool | None = None) -> Parts:
    """The parts that the settings ask for, with a database that is ready."""
    owner = f"{socket.gethostname()[:32]}-{os.getpid()}-{os.urandom(4).hex()}"
    routes = routes_of(settings)
    return Parts(settings, database_of(settings, migrate=migrate), routes, Client(), owner=owner)


def database_of(settings: Settings, *, migrate: bool | None = None) -> Engine:
    """The database that the settings name, with the tables of this release.

    The embedded one is brought up to date without asking; another only where that is wanted,
    because a release before may still be working on it.
    """
    engine = database.open(database_url(settings.database))
    wanted = migrate if migrate is not None else settings.database.migrate
    if wanted or (wanted is None and engine.dialect.name == "sqlite"):
        database.upgrade(engine)
    elif not database.is_current(engine):
        raise DatabaseNotReady(
            "the tables are not those of this release; run `lopside migrate`, or set database.migrate = true"
        )
    return engine


def jobs_of(parts: Parts) -> tuple[Job, ...]:
    """The recurring work."""
    return (
        Job("evaluation", EVALUATE_EVERY_S, lambda: evaluate(parts)),
        Job("delivery", DELIVER_EVERY_S, lambda: deliver(parts)),
        Job("housekeeping", CLEAN_EVERY_S, lambda: clean(parts)),
    )


def evaluate(parts: Parts) -> None:
    """Evaluate until nothing is due, unless another process is at it."""
    from service import evaluation

    for _ in range(MOST_ROUNDS):
        with leased(parts, "evaluation") as held:
            if not held:
                return
            outcome = evaluation.evaluate(
                parts.engine,
                rules_for=parts.settings.rules_for,
                routes=parts.routes,
                now_ms=parts.clock(),
            )
        if not outcome.more:
            return


def deliver(parts: Parts) -> None:
    """Send what is due; messages are claimed one by one, so any number of processes may do this at once."""
    from service import delivery

    if parts.send is None:
        return
    outcome = delivery.deliver_due(parts.engine, parts.send, parts.routes, now_ms=parts.clock())
    if outcome.given_up:
        log.warning("messages were given up", count=outcome.given_up)


def clean(parts: Parts) -> None:
    """Make room for days to come and remove what is past its time, a slice a transaction."""
    from service.storage import retention

    with leased(parts, "housekeeping") as held:
        if not held:
            return
        with parts.engine.begin() as connection:
            retention.prepare(connection, parts.clock())
        for _ in range(MOST_ROUNDS):
            with parts.engine.begin() as connection:
                pruned = retention.prune(connection, parts.clock(), kept_for(parts.settings))
            if not pruned.more:
                return


def kept_for(settings: Settings) -> Retention:
    """How long the settings want things kept."""
    from service.storage.retention import DAY_MS, HOUR_MS, Retention

    told = settings.retention
    return Retention(
        samples_ms=told.samples_h * HOUR_MS,
        windows_ms=told.windows_d * DAY_MS,
        rollups_ms=told.rollups_d * DAY_MS,
        events_ms=told.events_d * DAY_MS,
    )


@contextmanager
def leased(parts: Parts, name: str) -> Iterator[bool]:
    """Whether this process alone may do a piece of work; the lease is given back at the end."""
    with parts.engine.begin() as connection:
        held = leases.take(connection, name, parts.owner, LEASE_MS, parts.clock()) is not None
    try:
        yield held
    finally:
        if held:
            with parts.engine.begin() as connection:
                leases.give_up(connection, name, parts.owner, parts.clock())


def web_of(parts: Parts) -> FastAPI:
    """The HTTP side."""
    from service.web import api
    from service.web.services import Services

    return api.make(Services(engine=parts.engine, now_ms=parts.clock))


def refuse_strangers(parts: Parts) -> None:
    """Refuse to listen where others can reach it while no key exists: everybody would be let in, or nobody."""
    host = parts.settings.server.host
    if is_loopback(host):
        return
    with database.reading(parts.engine) as connection:
        if not keys.any_usable(connection, parts.clock()):
            raise WrongSetting(
                "server.host",
                f"{host} can be reached by others and there is no key",
                "make one first: lopside key new --role admin --name NAME; or listen on 127.0.0.1",
            )


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach what listens on a host."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def serve(settings: Settings, *, migrate: bool | None = None, work: bool = True) -> None:
    """Answer requests, and do the recurring work unless others do it, until told to stop."""
    parts = parts_of(settings, migrate=migrate)
    refuse_strangers(parts)
    with stopping_at_signals(), schedule.running(jobs_of(parts) if work else ()):
        if work:
            clean(parts)
        listen(web_of(parts), settings.server.host, settings.server.port)


def work(settings: Settings, *, migrate: bool | None = None) -> None:
    """Do the recurring work without answering requests, until told to stop."""
    parts = parts_of(settings, migrate=migrate)
    with stopping_at_signals(), schedule.running(jobs_of(parts)):
        clean(parts)
        log.info("working", database=parts.engine.dialect.name, routes=len(parts.routes))
        threading.Event().wait()


def listen(application: FastAPI, host: str, port: int) -> None:
    """Answer requests until told to stop; those that are being answered are finished."""
    import uvicorn

    config = uvicorn.Config(
        application, log_config=None, access_log=False, server_header=False, timeout_graceful_shutdown=GRACE_S
    )
    with bound(host, port) as door:
        log.info("listening", url=f"http://{host}:{door.getsockname()[1]}")
        uvicorn.Server(config).run(sockets=[door])


def bound(host: str, port: int) -> socket.socket:
    """A socket on which to listen, or a refusal that says what is in the way."""
    try:
        return socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except OSError as taken:
        raise WrongSetting(
            "server.port", f"cannot listen on {host} port {port}: {taken.strerror}", "choose another port or host"
        ) from taken


@contextmanager
def stopping_at_signals() -> Iterator[None]:
    """Let Ctrl-C and a polite end reach the block as an orderly way out, so that what runs is finished."""

    def stop(_number: int, _frame: object) -> None:
        raise Stopped

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    except Stopped:
        log.info("stopped")
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Stopped(BaseException):
    """Somebody asked the process to end."""
