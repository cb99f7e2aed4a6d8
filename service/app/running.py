"""Running: answering requests, working, and ending in good order."""

from __future__ import annotations

import ipaddress
import signal
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING

import structlog

from service.app.jobs import at_work
from service.app.parts import Parts, parts_of, policy_of
from service.app.people import people_of
from service.app.receiving import at_hand, hearing_exporters
from service.app.settings_noted import note_settings
from service.errors import WrongSetting
from service.settings.reading import Settings
from service.storage import database, keys

if TYPE_CHECKING:
    import uvicorn
    from fastapi import FastAPI

GRACE_S = 10
# How long one thread may compute while another waits for its turn. Reading a large batch takes the
# interpreter's usual 5 ms again and again, and whoever only hands octets on would wait as often.
TURN_S = 0.0005

log = structlog.get_logger("app")


def web_of(parts: Parts) -> FastAPI:
    """The HTTP side."""
    from service.pages import site
    from service.web import api
    from service.web.services import Services

    settings = parts.settings
    application = api.make(
        Services(
            engine=parts.engine,
            now_ms=parts.clock,
            limits=settings.limits(),
            max_body_octets=settings.ingest.max_body_bytes,
            open_on_loopback=settings.server.open_on_loopback and is_loopback(settings.server.host),
            require_signed_pushes=settings.ingest.require_signed,
            policy=policy_of(settings),
            requests_per_s=settings.server.requests_per_s,
            body_within_s=settings.server.body_within_s,
            people=people_of(settings),
        )
    )
    site.add(application)
    return application


def refuse_strangers(parts: Parts) -> None:
    """Refuse to listen where others can reach it while no key exists: everybody would be let in, or nobody."""
    host = parts.settings.server.host
    if is_loopback(host) and parts.settings.server.open_on_loopback:
        return
    with database.reading(parts.engine) as connection:
        if not keys.any_usable(connection, parts.clock()):
            raise WrongSetting(
                "server.host",
                f"{host} needs a key of everybody who calls, and there is none",
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
    note_settings(parts, "serve" if work else "web")
    hearing = at_hand(parts) if work else nullcontext()
    with stopping_at_signals(), hearing, at_work(parts) if work else nullcontext():
        listen(web_of(parts), settings.server.host, settings.server.port)


def work(settings: Settings, *, migrate: bool | None = None) -> None:
    """Do the recurring work without answering requests, until told to stop."""
    parts = parts_of(settings, migrate=migrate)
    note_settings(parts, "work")
    with stopping_at_signals(), at_work(parts):
        log.info("working", database=parts.engine.dialect.name, routes=len(parts.routes))
        threading.Event().wait()


def receive(settings: Settings, *, migrate: bool | None = None) -> None:
    """Hear exporters and do nothing else, until told to stop."""
    parts = parts_of(settings, migrate=migrate)
    note_settings(parts, "receive")
    with stopping_at_signals(), hearing_exporters(parts):
        threading.Event().wait()


def listen(application: FastAPI, host: str, port: int) -> None:
    """Answer requests until told to stop; those that are being answered are finished."""
    import uvicorn

    config = uvicorn.Config(
        application,
        log_config=None,
        access_log=False,
        server_header=False,
        # Whoever asks through a proxy is not on this machine, whatever a header says.
        proxy_headers=False,
        timeout_graceful_shutdown=GRACE_S,
    )
    sys.setswitchinterval(TURN_S)
    with bound(host, port) as door:
        log.info("listening", url=f"http://{host}:{door.getsockname()[1]}")
        server_of(application, config).run(sockets=[door])


def server_of(application: FastAPI, config: uvicorn.Config) -> uvicorn.Server:
    """A server that first sends home whoever only waits for news: it finishes answers, and theirs would never end."""
    import uvicorn

    class Server(uvicorn.Server):
        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            application.state.watcher.end()
            await super().shutdown(sockets)

    return Server(config)


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
