"""What a process remembers of rows that never change once committed, so as not to ask again for every batch.

Only committed rows are remembered: one that this transaction itself wrote may yet be rolled back.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple
from weakref import WeakKeyDictionary

from sqlalchemy import Connection, Engine

from service.terms import Codes, PortName

# Another process may move a port to another team; believe a memory no longer than this.
BELIEVED_MS = 600_000
MOST_FACTS = 2_000_000
MOST_SEATED = 200_000  # ports of all batches that are remembered as a whole


class Seats(NamedTuple):
    """Ports in the order of a batch; of each its id (0 where unknown), its device's and its team's (0 for none)."""

    names: Sequence[PortName]
    port_ids: Codes
    device_ids: Codes
    team_ids: Codes


@dataclass
class Memory:
    """What one process knows of one database."""

    since_ms: int = 0
    ports: dict[tuple[str, str], tuple[PortName, int]] = field(default_factory=dict)
    place_of_port: dict[int, tuple[int, int]] = field(default_factory=dict)  # (device id, team id or 0)
    facts: dict[bytes, int] = field(default_factory=dict)
    seats: dict[int, Seats] = field(default_factory=dict)  # by the identity of the names, which these keep alive

    def age(self, now_ms: int) -> None:
        """Forget what has been believed for long enough."""
        if not 0 <= now_ms - self.since_ms < BELIEVED_MS:
            self.ports.clear()
            self.place_of_port.clear()
            self.seats = {}
            self.since_ms = now_ms
        if len(self.facts) > MOST_FACTS:
            self.facts.clear()

    def forget(self, names: Iterable[PortName]) -> None:
        """Forget these ports: something about them is about to change."""
        self.seats = {}  # another one: whoever began before adds what was true before to the old one
        for name in names:
            _, port_id = self.ports.pop((name.device, name.port), (name, 0))
            self.place_of_port.pop(port_id, None)


_memories: WeakKeyDictionary[Engine, Memory] = WeakKeyDictionary()


def memory_of(connection: Connection) -> Memory:
    """The memory that belongs to a connection's database."""
    return _memories.setdefault(connection.engine, Memory())


def mark_written(connection: Connection) -> None:
    """Say that this transaction wrote rows of the kind that is remembered."""
    connection.info["unsettled"] = connection.get_transaction()


def may_remember(connection: Connection) -> bool:
    """Whether what this transaction reads has been committed for certain."""
    return connection.info.get("unsettled") is not connection.get_transaction() or not connection.in_transaction()
