"""The parts that the halves of the service share."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine

from service.app.clock import now_ms
from service.app.turn import Turn
from service.errors import DatabaseNotReady, ServiceError
from service.settings.reading import Settings
from service.settings.references import database_url
from service.settings.routing import routes_of
from service.settings.sections import DAYS
from service.storage import database
from service.storage.dialects import shared_ms
from service.webhooks.parcels import Ways
from service.webhooks.routes import Route

if TYPE_CHECKING:
    from service.delivery import Send
    from service.evaluation import Evaluator, Policy
    from service.evaluation.listening import Listener


class Shift:
    """This process's turn at evaluation, and the memory that lasts as long as the turn."""

    def __init__(self) -> None:
        self.epoch: int | None = None
        self._evaluator: Evaluator | None = None
        self._listener: Listener | None = None

    def evaluator(self, parts: Parts, epoch: int) -> Evaluator:
        """The evaluator of a turn; a new turn starts with an empty memory, because others evaluated meanwhile."""
        if self._evaluator is None:
            from service.evaluation import Evaluator

            self._evaluator = Evaluator(parts.engine, policy_of(parts.settings), parts.routes)
        if epoch != self.epoch:
            self._evaluator.forget()
            self.epoch = epoch
        return self._evaluator

    def listener(self, parts: Parts) -> Listener:
        """Who listens to the sources; what it remembers of a turn before is spared them, not held against them."""
        if self._listener is None:
            from service.evaluation.listening import Listener

            self._listener = Listener(parts.engine, policy_of(parts.settings).waits_ms)
        return self._listener


@dataclass(frozen=True)
class Parts:
    """What the halves of the service have in common."""

    settings: Settings
    engine: Engine
    routes: tuple[Route, ...] = ()
    send: Send | None = None
    clock: Callable[[], int] = now_ms
    owner: str = ""
    shift: Shift = field(default_factory=Shift)
    turn: Turn = field(default_factory=Turn)
    shared_ms: Callable[[Connection, int], int] = shared_ms


def policy_of(settings: Settings) -> Policy:
    """What the settings decide of evaluation."""
    from service.evaluation import Policy

    speeds = settings.speeds()
    pushed, polled = settings.lateness.pushed_s * 1000, settings.lateness.polled_s * 1000
    return Policy(
        rules_for=settings.rule_of,
        lateness_ms={"push": pushed, "csv": pushed, "snmp": polled, "linux": polled},
        width_ms=settings.rules.window_seconds * 1000,
        speed_of=lambda device, port: speeds.get((device, port), 0),
        zone=settings.verdicts.zone,
        working_days=frozenset(DAYS.index(day) for day in settings.verdicts.working_days),
    )


def parts_of(settings: Settings, *, migrate: bool | None = None) -> Parts:
    """The parts that the settings ask for, with a database that is ready."""
    owner = f"{socket.gethostname()[:32]}-{os.getpid()}-{os.urandom(4).hex()}"
    routes = routes_of(settings)
    return Parts(settings, database_of(settings, migrate=migrate), routes, Ways(), owner=owner)


def database_of(settings: Settings, *, migrate: bool | None = None) -> Engine:
    """The database that the settings name, with tables on which this release can work.

    The embedded one is brought up to date without asking; another only where that is wanted,
    because a release before may still be working on it.
    """
    engine = database.open(database_url(settings.database))
    try:
        _make_ready(engine, settings.database.migrate if migrate is None else migrate)
    except ServiceError:
        engine.dispose()
        raise
    return engine


def _make_ready(engine: Engine, migrate: bool | None) -> None:
    if migrate or (migrate is None and engine.dialect.name == "sqlite"):
        database.upgrade(engine)
    elif not database.fits(engine):
        raise DatabaseNotReady(
            "this release cannot work on the tables as they are; run `lopside migrate`, or set database.migrate = true"
        )
