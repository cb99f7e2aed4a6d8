"""Members that send and receive so many packets a window, for tests of those that must not be used."""

from __future__ import annotations

from collections.abc import Sequence

from scenarios.roads import WINDOW_S, octets_of, row

BUSY = {
    "out_octets": octets_of(0.50),
    "in_octets": octets_of(0.60),
    "out_packets": 600_000,
    "in_packets": 700_000,
    "out_mcast_packets": 3,
    "in_mcast_packets": 30,
    "out_bcast_packets": 3,
    "in_bcast_packets": 30,
    "in_errors": 0,
}
# Sends at 38 % and gets nothing but multicast.
ONE_SIDED = BUSY | {
    "out_octets": octets_of(0.38),
    "in_octets": 900,
    "in_packets": 9,
    "in_mcast_packets": 9,
    "in_bcast_packets": 0,
}
# Asks 10 times a second, 96 % of it by broadcast, and gets nothing but multicast.
UNANSWERED = ONE_SIDED | {
    "out_octets": 36_000,
    "out_packets": 300,
    "out_bcast_packets": 288,
    "out_mcast_packets": 0,
}
# 2 of 1,000 frames come in damaged.
SICK = BUSY | {"in_packets": 499_000, "in_errors": 1_000}


def rows_of(members: Sequence[Sequence[dict[str, int] | None]]) -> list[dict[str, int]]:
    """Samples on the windows' edges: what each member adds in each window; None for one that says nothing."""
    rows = []
    for port, windows in enumerate(members):
        counts = dict.fromkeys(BUSY, 0)
        rows.append(row(0, port, **counts))
        for number, added in enumerate(windows):
            if added is not None:
                counts = {name: count + added.get(name, 0) for name, count in counts.items()}
                rows.append(row((number + 1) * WINDOW_S, port, **{name: counts[name] for name in added}))
    return rows
