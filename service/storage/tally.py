"""How many there are of what: the figures by which the service itself is watched."""

from __future__ import annotations

from sqlalchemy import Connection, func, select

from service.storage import tables
from service.storage.deliveries import STATES
from service.terms import Severity

_findings, _deliveries = tables.findings.c, tables.deliveries.c


def open_findings(connection: Connection) -> dict[str, int]:
    """How many findings are open, by severity; none is left out."""
    query = select(_findings.severity, func.count()).where(_findings.cleared_ms.is_(None)).group_by(_findings.severity)
    return {str(severity): 0 for severity in Severity} | {row[0]: row[1] for row in connection.execute(query)}


def open_parts(connection: Connection) -> int:
    """How many open findings are part of one about many teams."""
    query = select(func.count()).where(_findings.cleared_ms.is_(None), _findings.part_of != "")
    return connection.scalar(query) or 0


def deliveries(connection: Connection) -> dict[str, int]:
    """How many messages are kept in each state; none is left out."""
    query = select(_deliveries.state, func.count()).group_by(_deliveries.state)
    return dict.fromkeys(STATES, 0) | {row[0]: row[1] for row in connection.execute(query)}
