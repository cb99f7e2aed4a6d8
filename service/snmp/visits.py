"""What a request asks of one agent, put question by question: GETs in parts that fit, columns walked to their end."""

from __future__ import annotations

from typing import Any

from gufo.snmp import SnmpEncodeError

from service.snmp import trouble
from service.snmp.agents import Request
from service.snmp.asking import Asker
from service.snmp.questions import Row, Rows, Values
from service.terms import Reply

MOST_ROWS = 100_000  # of one column: nobody has so many ports


class Sizes:
    """How many identifiers fit into one request of an agent, where that was found out."""

    def __init__(self) -> None:
        self._most: dict[tuple[str, int, str], int] = {}

    def parts(self, asker: Asker, pdu: tuple[str, ...]) -> list[tuple[str, ...]]:
        """A GET in parts that fit, each beginning with the first identifier."""
        most = self._most.get((asker.agent.host, asker.agent.port, asker.agent.device)) if self._most else None
        if most is None or len(pdu) <= most:
            return [pdu]
        step = most - 1
        return [(pdu[0], *pdu[at : at + step]) for at in range(1, len(pdu), step)]

    def learn(self, asker: Asker, most: int) -> None:
        """Ask no more than that at once."""
        key = (asker.agent.host, asker.agent.port, asker.agent.device)
        self._most[key] = max(2, min(most, self._most.get(key, most)))


async def replies(asker: Asker, request: Request, sizes: Sizes) -> tuple[Reply, ...]:
    """A reply for each GET, or one with all rows that were walked."""
    if request.columns:
        return (await _walked(asker, request.columns),)
    told = []
    for pdu in request.pdus:
        parts = sizes.parts(asker, pdu)
        told.append(await _got(asker, parts[0], sizes) if len(parts) == 1 else await _joined(asker, parts, sizes))
    return tuple(told)


async def _got(asker: Asker, pdu: tuple[str, ...], sizes: Sizes) -> Reply:
    try:
        answer = await asker.answer(Values(list(pdu)))
    except SnmpEncodeError:
        if len(pdu) <= 2:
            raise trouble.too_big(asker.agent) from None
        return await _halved(asker, pdu, sizes)
    # Nothing at all is how an agent's tooBig looks here, and version 1's word for one missing row among many.
    if not answer.value and len(pdu) > 1:
        return await _halved(asker, pdu, sizes)
    return Reply(*answer)


async def _halved(asker: Asker, pdu: tuple[str, ...], sizes: Sizes) -> Reply:
    if len(pdu) == 2:
        return await _got(asker, pdu[:1], sizes)
    middle = (len(pdu) + 1) // 2
    reply = await _joined(asker, [pdu[:middle], (pdu[0], *pdu[middle:])], sizes)
    if len(reply.values) > 2 and asker.agent.credentials.version != "1":
        sizes.learn(asker, middle)
    return reply


async def _joined(asker: Asker, parts: list[tuple[str, ...]], sizes: Sizes) -> Reply:
    """The reply to a GET that was asked in parts."""
    got = [await _got(asker, part, sizes) for part in parts]
    marks = [reply.values.get(parts[0][0]) for reply in got]
    known = [mark for mark in marks if isinstance(mark, int)]
    if known != sorted(known):  # the first identifier is the agent's uptime, which only a restart sets back
        raise trouble.restarted(asker.agent)
    values: dict[str, Any] = {}
    for reply in reversed(got):
        values |= reply.values
    return Reply(got[0].sent_ms, got[-1].received_ms, values)


async def _walked(asker: Asker, columns: tuple[str, ...]) -> Reply:
    values: dict[str, Any] = {}
    first = last = None
    for column in columns:
        question = Row(column) if asker.agent.credentials.version == "1" else Rows(column)
        before = len(values)
        while True:
            last = await asker.answer(question)
            first = first or last
            rows = last.value or [None]
            size = len(values)
            values.update(row for row in rows if row is not None)
            if rows[-1] is None:
                break
            if len(values) == size or len(values) - before > MOST_ROWS:
                raise trouble.circling(asker.agent, column)
    return Reply(first.sent_ms if first else 0, last.received_ms if last else 0, values)
