"""The three questions that are put to agents: values, the next rows, the next row."""

from __future__ import annotations

from typing import Any

from gufo.snmp._fast import GetIter  # the public iterators wrap it, one row a step

# Some 25 rows of a column fit into a datagram that needs no fragments.
ROWS_AT_ONCE = 25


class Values:
    """The values of some identifiers, by one GET."""

    __slots__ = ("_oids",)

    def __init__(self, oids: list[str]) -> None:
        self._oids = oids

    def send(self, sock: Any) -> None:
        """Put the question on its way."""
        sock.send_get_many(self._oids)

    def receive(self, sock: Any) -> Any:
        """The values that there are, by identifier."""
        return sock.recv_get_many()


class Rows:
    """The next rows of a column, by GETBULK; the same question again asks for those after them."""

    def __init__(self, column: str) -> None:
        self._cursor = GetIter(column, ROWS_AT_ONCE)

    def send(self, sock: Any) -> None:
        """Put the question on its way."""
        sock.send_get_bulk(self._cursor)

    def receive(self, sock: Any) -> Any:
        """Pairs of identifier and value; the last is None at the end of the column."""
        return sock.recv_get_bulk(self._cursor)


class Row:
    """The next row of a column, by GETNEXT, for version 1."""

    def __init__(self, column: str) -> None:
        self._cursor = GetIter(column)

    def send(self, sock: Any) -> None:
        """Put the question on its way."""
        sock.send_get_next(self._cursor)

    def receive(self, sock: Any) -> Any:
        """One pair of identifier and value."""
        return [sock.recv_get_next(self._cursor)]
