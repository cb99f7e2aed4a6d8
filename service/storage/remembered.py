"""What a process remembers of rows that never change once committed, so as not to ask again for every batch.

Only committed rows are remembered: one that this transaction itself wrote may yet be rolled back.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from weakref import WeakKeyDictionary

from sqlalchemy import Connection, Engine

from service.terms import PortName

# Another process may move a port to another team; believe a memory no longer than this.
BELIEVED_MS = 600_000
MOST_FACTS = 2_000_000


@dataclass
class Memory:
    """What one process knows of one database."""

    since_ms: int = 0
    ports: dict[tuple[str, str], tuple[PortName, int]] = field(default_factory=dict)
    place_of_port: dict[int, tuple[int, int]] = field(default_factory=dict)  # (device id, team id or 0)
    facts: dict[bytes, int] = field(default_factory=dict)

    def age(self, now_ms: int) -> None:
        """Forget what has been believed for long enough."""
        if not 0 <= now_ms - self.since_ms < BELIEVED_MS:
            self.ports.clear()
            self.place_of_port.clear()
            self.since_ms = now_ms
        if len(self.facts) > MOST_FACTS:
            self.facts.clear()

    def forget(self, names: Iterable[PortName]) -> None:
        """Forget these ports: something about them is about to change."""
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
