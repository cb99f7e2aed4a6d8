"""A large fleet, kept as it would be after some hours: teams of two, one of four over a day, open findings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from examples import EPOCH_MS, a_finding
from sqlalchemy import Engine, insert, update
from storage_examples import some_windows

from service import terms
from service.storage import findings, inventory, tables, windows
from service.terms import PortName, Severity, Span

WIDTH_MS, DAY = 30_000, 2_880
END_MS = EPOCH_MS + DAY * WIDTH_MS
BROAD = 4  # members of the first team, which has windows of a whole day
WORST = (Severity.CRITICAL, Severity.MAJOR, Severity.MINOR, Severity.WARNING)


def keep_fleet(engine: Engine, teams: int, open_findings: int) -> None:
    """Keep teams, the last window of each, a day of the first one, and findings about the first of them."""
    with engine.begin() as connection:
        inventory.resolve(connection, _names(teams), feed="push", now_ms=EPOCH_MS)
        placed = inventory.layout(connection)
        heard = np.arange(1, teams + 1, dtype=np.int32)
        inventory.note_samples(connection, heard, np.full(teams, END_MS, dtype=np.int64), END_MS)
        connection.execute(update(tables.devices).values(interval_ms=WIDTH_MS))
        inventory.note_decided(connection, [int(one) for one in placed.team_ids], END_MS)
    with engine.begin() as connection:
        _keep_windows(connection, [1], DAY, BROAD)
        _keep_windows(connection, list(range(2, teams + 1)), 1, 2 * (teams - 1))
        for number in range(open_findings):
            findings.save(connection, number + 1, _finding(number))
        connection.execute(insert(tables.finding_history), [_raised(number) for number in range(open_findings)])


def finding_of(number: int) -> str:
    """The id of a finding of the fleet."""
    return terms.finding_id(f"sm-{number + 1:05}", "front", "egress", "distribution", EPOCH_MS + number)


def _names(teams: int) -> list[PortName]:
    counts = [BROAD, *([2] * (teams - 1))]
    return [
        PortName(f"sm-{n + 1:05}", f"m{k + 1}", "front", "ip-pair")
        for n, many in enumerate(counts)
        for k in range(many)
    ]


def _keep_windows(connection, team_ids, count, ports):
    kept = some_windows(ports, Span(END_MS - count * WIDTH_MS, count))
    kept = replace(
        kept,
        why_not=np.zeros_like(kept.why_not),
        coverage=np.ones_like(kept.coverage),
        speed_bps=np.full_like(kept.speed_bps, 10**9),
    )
    kinds = np.zeros((len(team_ids), count, 2), dtype=np.uint8)
    windows.write(connection, inventory.layout(connection, team_ids), kept, kinds)


def _finding(number):
    told = {"device": f"sm-{number + 1:05}", "severity": WORST[number % len(WORST)], "id": finding_of(number)}
    return a_finding(**told, since_ms=END_MS - 600_000, raised_ms=END_MS - 500_000 + number)


def _raised(number):
    told = {"finding_id": finding_of(number), "at_ms": END_MS - 500_000 + number}
    return {**told, "what": "raised", "text": "raised", "details": "{}"}
