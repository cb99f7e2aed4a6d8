"""What a story plants: samples as a source would send them, made from a few numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from service.terms import (
    COUNTERS,
    MOST_MEMBERS,
    UNKNOWN,
    Bytes,
    Facts,
    FactsTable,
    Layout,
    OperStatus,
    PortName,
    Samples,
    TeamName,
)

GIGABIT = 10**9
SECOND = 1000
WINDOW_S = 30
EPOCH_MS = 1_795_600_800_000  # a whole hour: 2026-11-25T10:00:00Z
DEVICE, TEAM = "sm-07", "front"

Row = dict[str, int]


@dataclass(frozen=True)
class Part:
    """Samples to be assessed, over so many windows; `facts` are what the source says of its ports."""

    rows: Sequence[Row]
    windows: int = 1
    facts: Sequence[Facts] = (Facts(speed_bps=GIGABIT, oper=OperStatus.UP),)
    title: str = ""
    ports: tuple[str, ...] = ()  # m1, m2, ... where nothing is said
    apart: tuple[str, ...] = field(default=())  # ports of the device that are in no team
    broken: Bytes | None = None

    @property
    def layout(self) -> Layout:
        """One team of all ports but those apart."""
        count = 1 + max(row["port"] for row in self.rows)
        names = self.ports or tuple(f"m{port + 1}" for port in range(count))
        mine = [port for port, name in enumerate(names) if name not in self.apart]
        return Layout(
            devices=(DEVICE,),
            ports=tuple(PortName(DEVICE, name, "" if name in self.apart else TEAM) for name in names),
            teams=(TeamName(DEVICE, TEAM),),
            device_of_port=np.zeros(len(names), dtype=np.int32),
            device_of_team=np.zeros(1, dtype=np.int32),
            members=np.array([[*mine, *[UNKNOWN] * (MOST_MEMBERS - len(mine))]], dtype=np.int32),
        )


def row(at_s: float, port: int = 0, **told: int) -> Row:
    """One sample, so many seconds after the story begins."""
    return {"at_ms": EPOCH_MS + round(at_s * SECOND), "port": port, **told}


def fact(cap: int = GIGABIT, **more: object) -> Facts:
    """What a source says of a port that is up."""
    return Facts(**{"speed_bps": cap, "oper": OperStatus.UP, **more})  # type: ignore[arg-type]  # any field


def octets_of(share: float, cap: int = GIGABIT, seconds: int = WINDOW_S) -> int:
    """The octets that a share of line rate is in so many seconds."""
    return round(share * cap * seconds / 8)


def series(
    members: Sequence[Sequence[float]], cap: int = GIGABIT, ways: Sequence[str] = ("out_octets",), first: int = 0
) -> list[Row]:
    """Samples on the edges of windows whose counters give each member its utilisation, window by window."""
    rows = []
    for member, shares in enumerate(members):
        counts = np.concatenate([[0], np.cumsum([octets_of(share, cap) for share in shares])]).tolist()
        rows += [row(at * WINDOW_S, first + member, **dict.fromkeys(ways, int(n))) for at, n in enumerate(counts)]
    return rows


def samples_of(rows: Sequence[Row]) -> Samples:
    """Rows as the core takes them."""
    told = [[name in row for name in COUNTERS] for row in rows]
    return Samples(
        port=np.array([row["port"] for row in rows], dtype=np.int32),
        at_ms=np.array([row["at_ms"] for row in rows], dtype=np.int64),
        facts=np.array([row.get("facts", 0) for row in rows], dtype=np.int32),
        known=np.array([sum(1 << bit for bit, is_told in enumerate(one) if is_told) for one in told], dtype=np.uint16),
        counters=np.array([[row.get(name, 0) for name in COUNTERS] for row in rows], dtype=np.uint64),
        received_ms=np.array([row.get("received_ms", UNKNOWN) for row in rows], dtype=np.int64),
        uptime_ticks=np.array([row.get("uptime", UNKNOWN) for row in rows], dtype=np.int64),
        discontinuity_ticks=np.full(len(rows), UNKNOWN, dtype=np.int64),
    )


def facts_of(part: Part) -> FactsTable:
    """The table that the rows of a part point into."""
    return FactsTable.of(tuple(part.facts))
