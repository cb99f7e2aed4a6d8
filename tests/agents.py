"""Simulated SNMP agents, versions 1 and 2c, for tests and benchmarks: many behind one socket, told apart by community.

In a test: `with Agents([SimulatedAgent("quay")]) as agents: ... agents.port ...`. As a process:
`python tests/agents.py --agents 1000 --ports 48 --silent 200` prints the port that it listens on.
"""

import argparse
import asyncio
import socket
import threading
import time
from collections.abc import Callable, Iterable, Sequence

import ber
from simulated_tables import Interface, Table, exchange_switch, table_of

TOO_BIG, NO_SUCH_NAME = 1, 2  # RFC 3416, section 3
MOST_OCTETS = 1400  # of a message, where a test says nothing else


class SimulatedAgent:
    """One agent and what is the matter with it; a test changes that while it answers.

    `interfaces` may be changed and told by `rebuild`; `set` and `drop` change single rows.
    `delay_s` holds answers back, `ignores` so many requests unanswered, `echoes` sends each answer so
    many times, `garbles` cuts or spoils an answer, `most_octets` is the largest answer it makes.
    """

    def __init__(
        self,
        community: str,
        interfaces: Sequence[Interface] | None = None,
        table: Table | None = None,
        less: Sequence[str] = (),
        clock: Callable[[], float] = time.monotonic,
    ):
        self.community = community
        self.interfaces = list(exchange_switch(8, 4) if interfaces is None and table is None else interfaces or ())
        self.less = less
        self.clock = clock
        self.started = clock() - 1.0
        self.table = table or table_of(self.interfaces, community, less)
        self.silent = False
        self.ignores = 0
        self.delay_s = 0.0
        self.echoes = 1
        self.garbles: Callable[[bytes], bytes] | None = None
        self.most_octets = MOST_OCTETS
        self.asked: list[ber.Asked] = []
        self.keeps_asked = True

    def rebuild(self) -> None:
        self.table = table_of(self.interfaces, self.community, self.less)

    def restart(self) -> None:
        """Uptime and counters begin anew."""
        self.started = self.clock()

    def renumber(self, by: int = 100) -> None:
        """Deal other numbers to the same interfaces."""
        for each in self.interfaces:
            each.index += by
            each.lag += by if each.lag else 0
        self.rebuild()

    def set(self, oid: str, value: bytes) -> None:
        self.table = Table(self.table.rows | {ber.oid(oid): value})

    def drop(self, *prefixes: str) -> None:
        gone = tuple(ber.oid(prefix) for prefix in prefixes)
        rows = self.table.rows
        self.table = Table({oid: rows[oid] for oid in rows if not any(oid[: len(p)] == p for p in gone)})

    def answer(self, asked: ber.Asked) -> bytes | None:
        """What to send for a request; None for nothing."""
        if self.keeps_asked:
            self.asked.append(asked)
        if self.silent:
            return None
        if self.ignores:
            self.ignores -= 1
            return None
        answer = self._message(asked, *self._bindings(asked))
        if len(answer) > self.most_octets:
            # A request's own bindings come back with noSuchName, none at all with tooBig (RFC 3416, section 4.2.1).
            answer = self._message(asked, b"", TOO_BIG, 0)
        return self.garbles(answer) if self.garbles else answer

    def _message(self, asked: ber.Asked, bindings: bytes, status: int = 0, index: int = 0) -> bytes:
        numbers = ber.tagged(ber.INTEGER, asked.number) + ber.number(status) + ber.number(index)
        pdu = ber.tagged(ber.RESPONSE, numbers + ber.tagged(ber.SEQUENCE, bindings))
        head = ber.number(asked.version) + ber.octets(asked.community)
        return ber.tagged(ber.SEQUENCE, head + pdu)

    def _bindings(self, asked: ber.Asked) -> tuple[bytes, int, int]:
        seconds, table = self.clock() - self.started, self.table
        if asked.pdu == ber.GET_BULK:
            return self._bulk(asked, seconds), 0, 0
        end, told = ber.END_OF_VIEW if asked.pdu == ber.GET_NEXT else ber.NO_SUCH_INSTANCE, []
        for at, oid in enumerate(asked.oids):
            row = table.after(oid) if asked.pdu == ber.GET_NEXT else table.at.get(oid, len(table.order))
            if row < len(table.order):
                told.append(ber.tagged(ber.SEQUENCE, table.row(row, seconds)))
            elif asked.version == 0:  # version 1 has no word for a single missing row
                return self._as_asked(asked), NO_SUCH_NAME, at + 1
            else:
                told.append(ber.tagged(ber.SEQUENCE, ber.identifier(oid) + end))
        return b"".join(told), 0, 0

    def _as_asked(self, asked: ber.Asked) -> bytes:
        return b"".join(ber.tagged(ber.SEQUENCE, ber.identifier(oid) + b"\x05\x00") for oid in asked.oids)

    def _bulk(self, asked: ber.Asked, seconds: float) -> bytes:
        """As many rounds of rows as fit (RFC 3416, section 4.2.3); single ones are never asked for."""
        table, told, room = self.table, [], self.most_octets - 60
        places = [table.after(oid) for oid in asked.oids]
        for step in range(asked.second):
            for oid, place in zip(asked.oids, places, strict=True):
                at = place + step
                row = table.row(at, seconds) if at < len(table.order) else ber.identifier(oid) + ber.END_OF_VIEW
                told.append(ber.tagged(ber.SEQUENCE, row))
                room -= len(told[-1])
                if room < 0:
                    return b"".join(told[:-1])
            if min(places) + step >= len(table.order):
                break
        return b"".join(told)


class _Socket(asyncio.DatagramProtocol):
    def __init__(self, agents: dict[bytes, SimulatedAgent]):
        self.agents = agents

    def connection_made(self, transport):
        self.transport = transport
        self.loop = asyncio.get_running_loop()

    def datagram_received(self, datagram, sender):
        asked = ber.asked(datagram)
        agent = self.agents.get(asked.community)
        answer = agent.answer(asked) if agent else None
        if answer is None:
            return
        for _ in range(agent.echoes):
            if agent.delay_s:
                self.loop.call_later(agent.delay_s, self._send, answer, sender)
            else:
                self.transport.sendto(answer, sender)

    def _send(self, answer, sender):
        if not self.transport.is_closing():
            self.transport.sendto(answer, sender)


class Agents:
    """Simulated agents behind one socket on loopback, in a thread of their own, for the time of a `with`."""

    def __init__(self, agents: Iterable[SimulatedAgent], host: str = "127.0.0.1", port: int = 0):
        self.agents = {agent.community.encode(): agent for agent in agents}
        self.host = host
        self._wanted = port
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self.loop.run_forever, name="simulated agents")

    def __enter__(self):
        self._thread.start()
        self._transport = asyncio.run_coroutine_threadsafe(self._listen(), self.loop).result(10)
        self.port = self._transport.get_extra_info("sockname")[1]
        return self

    async def _listen(self):
        transport, _ = await self.loop.create_datagram_endpoint(self._protocol, local_addr=(self.host, self._wanted))
        # A thousand agents are asked at once through one socket.
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8 << 20)
        return transport

    def _protocol(self):
        return _Socket(self.agents)

    def __exit__(self, *_):
        self.loop.call_soon_threadsafe(self._stop)
        self._thread.join(10)
        self.loop.close()

    def _stop(self):
        self._transport.abort()
        self.loop.call_soon(self.loop.stop)


def names(count: int) -> list[str]:
    """The communities of a process's agents: shed1, shed2 and so on."""
    return [f"shed{at + 1}" for at in range(count)]


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--port", type=int, default=0)
    options.add_argument("--agents", type=int, default=1000)
    options.add_argument("--ports", type=int, default=48)
    options.add_argument("--members", type=int, default=6)
    options.add_argument("--silent", type=int, default=0, help="how many, spread evenly, never answer")
    told = options.parse_args()
    # One table for all: what differs is only who is asked.
    table = table_of(exchange_switch(told.ports, told.members))
    agents = [SimulatedAgent(name, table=table) for name in names(told.agents)]
    for at, agent in enumerate(agents):
        agent.keeps_asked = False
        agent.silent = (at * told.silent) // told.agents != ((at + 1) * told.silent) // told.agents
    with Agents(agents, port=told.port) as served:
        print(served.port, flush=True)
        threading.Event().wait()


if __name__ == "__main__":
    main()
