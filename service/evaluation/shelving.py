"""Ending shelves that ran out: what is still open then is told of again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from sqlalchemy import Connection, Engine

from service import delivery
from service.storage import database, findings
from service.storage.findings import Kept
from service.webhooks.routes import Route

UNSHELVED = "unshelved"
SLICE = 100
MOST_SLICES = 100


def end_run_out(engine: Engine, routes: Sequence[Route], now_ms: int) -> int:
    """End the shelves whose time is over, a slice a transaction; how many that were."""
    ended = 0
    for _ in range(MOST_SLICES):
        some = database.retried(engine, lambda connection: _slice(connection, routes, now_ms))
        ended += some
        if some < SLICE:
            break
    return ended


def _slice(connection: Connection, routes: Sequence[Route], now_ms: int) -> int:
    run_out = findings.run_out(connection, now_ms, SLICE)
    for kept in run_out:
        _end(connection, kept, routes, now_ms)
    return len(run_out)


def _end(connection: Connection, kept: Kept, routes: Sequence[Route], now_ms: int) -> None:
    finding = kept.finding
    findings.set_operator(connection, finding.id, "none", "")
    is_open = finding.cleared_ms is None
    text = "the shelf ended" + (" and it is still open" if is_open else "; it was over by then")
    findings.note(connection, finding.id, now_ms, UNSHELVED, text=text, details={"from": "shelved", "to": "none"})
    if is_open:
        as_of_now = replace(finding, updated_ms=max(now_ms, finding.updated_ms))
        delivery.owe(connection, as_of_now, UNSHELVED, routes, now_ms)
