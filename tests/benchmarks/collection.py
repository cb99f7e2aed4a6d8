"""One round of 1,000 agents of 48 ports, seven columns each, kept durably, as a ratio to a bare client's loop.

Bare is: the same requests to the same agents with the same library, sessions open already, values
thrown away. Run by tests/benchmarks/run.py, or by itself.
"""

from __future__ import annotations

import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import polled
import postgres
import uvloop
from gufo.snmp.aio import SnmpSession
from sqlalchemy import Engine

from service.app.clock import now_ms
from service.collection import keeping
from service.collection.discovering import Walked, settle
from service.feeds.snmp.discovery import WALKED
from service.feeds.snmp.gathering import Polled
from service.feeds.snmp.plan import PollPlan
from service.snmp.agents import FINE, Request, Watch
from service.snmp.poller import Poller
from service.storage import database, retention

AGENTS, PORTS, SILENT = 1000, 48, 200
IN_FLIGHT, TIMEOUT_S, ROUNDS = 512, 1.0, 5
MOST_RATIO = 1.5


async def _bare(watches: Sequence[Watch], plan: PollPlan) -> float:
    """Seconds of one round of the bare client, sessions made beforehand."""
    room = asyncio.Semaphore(IN_FLIGHT)
    sessions = [
        SnmpSession(watch.agent.host, port=watch.agent.port, community=watch.agent.credentials.community, timeout=1.0)
        for watch in watches
    ]

    async def poll(session: SnmpSession) -> None:
        async with room:
            for pdu in plan.pdus:
                await session.get_many(pdu)

    began = time.perf_counter()
    await asyncio.gather(*map(poll, sessions))
    return time.perf_counter() - began


class Round:
    """Rounds of the service's poller over agents that were discovered, kept in a database."""

    def __init__(self, engine: Engine, poller: Poller, watches: Sequence[Watch]) -> None:
        self.engine, self.poller, self.watches = engine, poller, watches
        self.plans = self._discovered()

    def _discovered(self) -> list[PollPlan]:
        """All are alike, so that one walk stands for all; each is registered in the database."""
        with self.engine.begin() as connection:
            retention.prepare(connection, now_ms())
        (outcome,) = self.poller.round([Request(self.watches[0].agent, columns=WALKED)])
        plans = []
        with self.engine.begin() as connection:
            for watch in self.watches:
                walked = Walked.of(watch.agent.device, outcome.replies)
                plans.append(settle(connection, walked, watch.interval_ms, now_ms()).plan)
        return plans

    def run(self) -> tuple[float, int]:
        """Seconds of one round with everything kept, and how many samples that were."""
        requests = [Request(watch.agent, pdus=plan.pdus) for watch, plan in zip(self.watches, self.plans, strict=True)]
        began = time.perf_counter()
        outcomes = self.poller.round(requests)
        polls = [
            Polled(plan, outcome.replies)
            for plan, outcome in zip(self.plans, outcomes, strict=True)
            if outcome.kind == FINE
        ]
        kept = keeping.keep(self.engine, polls, now_ms())
        return time.perf_counter() - began, kept.taken.accepted


@contextmanager
def sqlite() -> Iterator[Engine]:
    """An SQLite database in a file."""
    with tempfile.TemporaryDirectory() as folder:
        yield from _ready(f"sqlite:///{Path(folder) / 'bench.sqlite'}")


@contextmanager
def postgresql() -> Iterator[Engine]:
    """A PostgreSQL whose commits reach the disk."""
    with postgres.server(durable=True) as url:
        yield from _ready(url)


def _ready(url: str) -> Iterator[Engine]:
    engine = database.open(url)
    database.upgrade(engine)
    yield engine
    engine.dispose()


def measured(engine: Engine, name: str) -> bool:
    """Whether rounds beside bare ones, and rounds with silent agents, are within their bounds."""
    with Poller(now_ms, IN_FLIGHT) as poller:
        with polled.serving(AGENTS, PORTS) as port:
            watches = polled.watches(AGENTS, port)
            round_ = Round(engine, poller, watches)
            round_.run()
            pairs = [(uvloop.run(_bare(watches, round_.plans[0])), round_.run()) for _ in range(ROUNDS)]
        bare, ours = statistics.median(b for b, _ in pairs), statistics.median(o for _, (o, _) in pairs)
        ratio = statistics.median(o / b for b, (o, _) in pairs)
        values = sum(map(len, round_.plans[0].pdus)) * AGENTS
        print(f"{name}: {values:,} values, bare {bare:.2f} s, kept {ours:.2f} s", end="; ")
        print(f"ratio {ratio:.2f} (at most {MOST_RATIO}); samples {pairs[-1][1][1]:,}", flush=True)
        with polled.serving(AGENTS, PORTS, SILENT) as port:
            round_.watches = polled.watches(AGENTS, port)
            round_.run()
            longer = statistics.median(round_.run()[0] for _ in range(ROUNDS)) - ours
        print(f"{name}: with {SILENT} silent agents {longer:+.2f} s (at most +{TIMEOUT_S})", flush=True)
    return ratio <= MOST_RATIO and longer <= TIMEOUT_S


DATABASES: dict[str, Callable[[], object]] = {"PostgreSQL": postgresql, "SQLite": sqlite}


def main() -> int:
    """Measure on both databases; how many were out of bounds."""
    failed = 0
    for name, opened in DATABASES.items():
        with opened() as engine:
            failed += not measured(engine, name)
    return failed


if __name__ == "__main__":
    sys.exit(main())
