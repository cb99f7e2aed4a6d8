"""Simulated agents in a process of their own, for the benchmarks that poll.

As a process: `python tests/benchmarks/polled.py --agents 1000 --ports 48` prints the port that it listens on.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import agents
from simulated_tables import AGGREGATE, IF, IFX, exchange_switch, table_of

from service.snmp.agents import Agent, Community, Watch

MEMBERS = 4
# What a round of seven columns leaves out: narrow counters, multicast and broadcast, discards and errors, last change.
LESS = (*(f"{IF}.{column}" for column in (9, 10, 11, 13, 14, 16, 17, 19, 20)),)
LESS += tuple(f"{IFX}.{column}" for column in (2, 3, 4, 5, 8, 9, 12, 13))


@contextmanager
def serving(count: int, ports: int, silent: int = 0) -> Iterator[int]:
    """Agents in a process that lives as long as the block; the port on loopback where all of them are."""
    told = ("--agents", count, "--ports", ports, "--silent", silent)
    process = subprocess.Popen([sys.executable, __file__, *map(str, told)], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield int(process.stdout.readline())
    finally:
        process.terminate()
        process.wait(10)


def watches(count: int, port: int, interval_ms: int = 10_000) -> list[Watch]:
    """The same agents as the service polls them: one try of a second."""
    return [
        Watch(Agent(f"sm-{at:04}", "127.0.0.1", port, Community("2c", name), timeout_s=1.0, tries=1), interval_ms)
        for at, name in enumerate(agents.names(count))
    ]


def main() -> None:
    """Answer until ended."""
    options = argparse.ArgumentParser(description=__doc__)
    for name in ("agents", "ports", "silent"):
        options.add_argument(f"--{name}", type=int, default=0)
    told = options.parse_args()
    ports = [port for port in exchange_switch(told.ports, MEMBERS) if port.kind != AGGREGATE]
    table = table_of(ports, less=LESS)
    served = [agents.SimulatedAgent(name, table=table) for name in agents.names(told.agents)]
    for at, agent in enumerate(served):
        agent.keeps_asked = False
        agent.silent = (at * told.silent) // told.agents != ((at + 1) * told.silent) // told.agents
    with agents.Agents(served) as behind:
        print(behind.port, flush=True)
        threading.Event().wait()


if __name__ == "__main__":
    main()
