"""Examples for tests: every value has a default, so that a test states only what matters to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from service import terms
from service.terms import (
    COUNTERS,
    UNKNOWN,
    Facts,
    FactsTable,
    Finding,
    Layout,
    MemberFigure,
    PortName,
    Samples,
    Severity,
)

GIGABIT = 1_000_000_000
SECOND = 1000
EPOCH_MS = 1_795_600_800_000  # a whole hour and so a window's edge: 2026-11-25T10:00:00Z


def samples_of(rows: Sequence[dict[str, int]], *, facts: int = 0) -> Samples:
    """Samples from dicts: `at` in seconds, `port` by position, counters by name, ticks by name; the rest unknown."""
    counters = np.zeros((len(rows), len(COUNTERS)), dtype=np.uint64)
    known = np.zeros(len(rows), dtype=np.uint16)
    for row, told in enumerate(rows):
        for column, name in enumerate(COUNTERS):
            if name in told:
                counters[row, column] = np.uint64(told[name])
                known[row] |= np.uint16(1 << column)
    return Samples(
        port=np.array([told.get("port", 0) for told in rows], dtype=np.int32),
        at_ms=np.array([round(told["at"] * SECOND) for told in rows], dtype=np.int64),
        facts=np.array([told.get("facts", facts) for told in rows], dtype=np.int32),
        known=known,
        counters=counters,
        received_ms=np.array(
            [round(told["received"] * SECOND) if "received" in told else UNKNOWN for told in rows], dtype=np.int64
        ),
        uptime_ticks=np.array([told.get("uptime", UNKNOWN) for told in rows], dtype=np.int64),
        discontinuity_ticks=np.array([told.get("discontinuity", UNKNOWN) for told in rows], dtype=np.int64),
    )


def facts_of(*facts: Facts) -> FactsTable:
    """A table of facts; one port of 1 Gbit/s that is up where nothing is given."""
    return FactsTable.of(facts or (Facts(speed_bps=GIGABIT, oper=terms.OperStatus.UP),))


def a_layout(*members_of_team: int, device: str = "sm-07", team: str = "front") -> Layout:
    """One device with a team for each count given (one of two by default), ports m1, m2, ... through all teams."""
    counts = members_of_team or (2,)
    ports, teams, rows = [], [], []
    for number, count in enumerate(counts):
        name = team if number == 0 else f"{team}{number + 1}"
        first = len(ports)
        ports += [PortName(device, f"m{first + k + 1}", name) for k in range(count)]
        teams.append(terms.TeamName(device, name))
        rows.append([first + k for k in range(count)] + [UNKNOWN] * (terms.MOST_MEMBERS - count))
    return Layout(
        devices=(device,),
        ports=tuple(ports),
        teams=tuple(teams),
        device_of_port=np.zeros(len(ports), dtype=np.int32),
        device_of_team=np.zeros(len(teams), dtype=np.int32),
        members=np.array(rows, dtype=np.int32),
    )


def a_finding(**changes: object) -> Finding:
    """An open finding: sm-07, team front, egress, 92 % beside 2 % on 2 x 1 Gbit/s."""
    m1 = MemberFigure("m1", 0.92, GIGABIT)
    m2 = MemberFigure("m2", 0.02, GIGABIT)
    told: dict[str, object] = {
        "id": terms.finding_id("sm-07", "front", "egress", "distribution", EPOCH_MS + 90 * SECOND),
        "device": "sm-07",
        "team": "front",
        "direction": "egress",
        "family": "distribution",
        "kind": "uneven",
        "severity": Severity.WARNING,
        "since_ms": EPOCH_MS,
        "raised_ms": EPOCH_MS + 90 * SECOND,
        "cleared_ms": None,
        "hot": (m1,),
        "idle": (m2,),
        "members": (m1, m2),
        "peak": 0.92,
        "peak_port": "m1",
        "peak_ms": EPOCH_MS + 30 * SECOND,
        "even_split": 0.47,
        "imbalance": 0.45,
        "usable_bps": 1_020_000_000,
        "stranded_bps": 980_000_000,
        "room_bps": 730_000_000,
        "discard_ratio": 0.0,
        "basis": "wire",
        "windows_seen": 3,
        "windows_evaluable": 3,
        "updated_ms": EPOCH_MS + 90 * SECOND,
    }
    return Finding(**{**told, **changes})  # type: ignore[arg-type]  # a test may state any field
