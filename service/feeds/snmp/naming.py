"""What interfaces are called: by their names, told apart where a device gives one name twice."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from service.feeds.snmp import oids
from service.feeds.snmp.cells import MOST_NAME, text
from service.feeds.snmp.tables import Tables


def names_of(tables: Tables, indices: Iterable[int], prefix: str) -> tuple[dict[int, str], list[str]]:
    """A name for each interface that no other of them has, and notes on those that had to be told apart."""
    told = {index: _told(tables, index) or f"{prefix}-{index}" for index in indices}
    times = Counter(told.values())
    notes = [f"{count} interfaces are called {name}; told apart by index" for name, count in times.items() if count > 1]
    taken = {name for name, count in times.items() if count == 1}
    for index, name in told.items():
        if times[name] > 1:
            told[index] = _apart(name, index, taken)
    return told, notes


def _told(tables: Tables, index: int) -> str:
    return text(tables.column(oids.IF_NAME).get(index)) or text(tables.column(oids.IF_DESCR).get(index))


def _apart(name: str, index: int, taken: set[str]) -> str:
    tail = f"-{index}"
    while (apart := name[: MOST_NAME - len(tail)] + tail) in taken:
        tail = "-" + tail
    taken.add(apart)
    return apart
