"""Agents polled for minutes on end, in real time: how late polls are, whether memory grows, what is lost.

Run by itself: `.venv-tests/bin/python tests/benchmarks/soak.py --minutes 30 --agents 500 --ports 4 --interval 10`, with
tests/benchmarks, tests and the top of the checkout on PYTHONPATH. It ends with 1 where a bound is not kept.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import polled
import postgres

from service.app.clock import now_ms
from service.collection import timing
from service.collection.collector import Collector
from service.schedule import Job, running
from service.snmp.agents import Outcome, Request, Watch
from service.snmp.poller import Poller
from service.storage import agents, database, retention

# Bounds: no poll more than 5 s late, memory level within 5 % from the middle on.
MOST_LATE_MS, MOST_GROWTH = 5_000, 0.05
REPORT_EVERY_S = 60


class Listening:
    """The poller, with a note of how late each poll went out."""

    def __init__(self, poller: Poller, interval_ms: int) -> None:
        self.poller, self.interval_ms = poller, interval_ms
        self.late_ms: list[int] = []
        self._met: set[str] = set()
        self.submit: Callable[[Sequence[Request]], None] = poller.submit

    def finished(self) -> list[Outcome]:
        """What ended, once noted."""
        outcomes = self.poller.finished()
        for one in outcomes:
            if one.replies and not one.request.columns:
                self._note(one.request.agent.device, one.replies[0].sent_ms)
        return outcomes

    def _note(self, device: str, sent_ms: int) -> None:
        if device not in self._met:  # the first poll follows the first discovery, out of turn
            self._met.add(device)
            return
        phase, half = timing.phase_ms(device, self.interval_ms), self.interval_ms // 2
        self.late_ms.append((sent_ms - phase + half) % self.interval_ms - half)


def resident_mb() -> float:
    """What this process holds in memory."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def soaked(url: str, watches: Sequence[Watch], minutes: float) -> bool:
    """Poll for so many minutes; whether every bound was kept."""
    engine = database.open(url)
    database.upgrade(engine)
    with engine.begin() as connection:
        retention.prepare(connection, now_ms())
    memory = []
    with Poller(now_ms, 512) as poller:
        listening = Listening(poller, watches[0].interval_ms)
        collector = Collector(engine, listening, watches)
        with running([Job("collection", 1, lambda: collector.tick(now_ms()))]):
            ends = time.monotonic() + 60 * minutes
            while time.monotonic() < ends:
                time.sleep(min(REPORT_EVERY_S, max(0.1, ends - time.monotonic())))
                memory.append(resident_mb())
                _report(listening.late_ms, memory)
    with database.reading(engine) as connection:
        noted = agents.listing(connection)
    engine.dispose()
    polls, lost = sum(one.polls for one in noted), sum(one.lost for one in noted)
    growth = _growth(memory)
    stretched = sum(one.stretched_ms > one.interval_ms for one in noted)
    print(f"polls {polls:,}, lost {lost}, stretched {stretched}; memory from the middle on {growth:+.1%}", flush=True)
    return lost == 0 and stretched == 0 and max(listening.late_ms) <= MOST_LATE_MS and growth <= MOST_GROWTH


def _report(late_ms: Sequence[int], memory: Sequence[float]) -> None:
    half, most = np.percentile(late_ms, [50, 99]) if late_ms else (0, 0)
    worst = max(late_ms, default=0)
    print(f"late p50 {half:.0f} ms, p99 {most:.0f} ms, max {worst} ms; {memory[-1]:.1f} MB", flush=True)


def _growth(memory: Sequence[float]) -> float:
    """The share by which memory grew over the second half, by a straight line through it."""
    later = np.array(memory[len(memory) // 2 :])
    if len(later) < 2:
        return 0.0
    slope, start = np.polyfit(np.arange(len(later)), later, 1)
    return float(slope * (len(later) - 1) / start)


def main() -> int:
    """Soak as told; 1 where a bound was not kept."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--minutes", type=float, default=30)
    for name, usual in (("agents", 500), ("ports", 4), ("interval", 10)):
        options.add_argument(f"--{name}", type=int, default=usual)
    told = options.parse_args()
    with postgres.server(durable=True) as url, polled.serving(told.agents, told.ports) as port:
        watches = polled.watches(told.agents, port, 1000 * told.interval)
        return 0 if soaked(url, watches, told.minutes) else 1


if __name__ == "__main__":
    sys.exit(main())
