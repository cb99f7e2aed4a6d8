"""Situations to advise on: every value has a default, so that a test states only what matters to it."""

from __future__ import annotations

import numpy as np
from examples import EPOCH_MS, GIGABIT, a_finding

from service.rules.situation import Situation
from service.terms import DIRECTIONS, VIRTUAL_PORT, Item, MemberFigure, MemberWindows, Rule, Span, TeamName, WhyNot

MEGABIT = 1_000_000
WINDOWS = 10
# Team front of sm-07: 430, 390, 60 and 40 Mbit/s on member 1.
ITEMS = {"night-copy": 430, "scan-index": 390, "ledger-web": 60, "mail-relay": 40}


def virtual_ports(rates=None, port="m1", **parts):
    """Virtual ports of these rates in Mbit/s, all on one member; `parts` says of how many conversations one is."""
    rates = ITEMS if rates is None else rates
    return tuple(
        Item(VIRTUAL_PORT, name, port, mbit * MEGABIT, parts.get(name.replace("-", "_"), 0))
        for name, mbit in rates.items()
    )


def windows_of(shares, *, before=None, speed=GIGABIT, way=0, why_not=()):
    """Windows with these utilisations in one direction, five before the finding began and ten in it."""
    count = WINDOWS // 2 + WINDOWS
    used = np.full((len(shares), count, 2), 0.01)
    for at, share in enumerate(shares):
        used[at, :, way] = share
        used[at, : WINDOWS // 2, way] = share if before is None else before[at]
    single, marks = np.zeros_like(used, dtype=np.float32), np.zeros(used.shape[:2], dtype=np.uint16)
    reasons = np.zeros(used.shape, dtype=np.uint8)
    for at, reason in enumerate(why_not):
        reasons[at] = reason
    return MemberWindows(
        span=Span(EPOCH_MS - WINDOWS // 2 * 30_000, count),
        utilisation=used,
        lower=single,
        upper=single,
        coverage=single + 1,
        basis=reasons,
        discard_ratio=single,
        packets=single,
        mcast=single,
        bcast=single,
        errors=single,
        speed_bps=np.full(marks.shape, speed, dtype=np.int64),
        marks=marks,
        why_not=reasons,
    )


def a_situation(
    shares=(0.92, 0.02),
    *,
    method="virtual-port",
    bundle="none",
    items=None,
    direction="egress",
    before=None,
    speed=GIGABIT,
    why_not=(),
    finding=None,
    **told,
):
    """Team front of sm-07 as it was found, with four virtual ports on member 1."""
    ports = tuple(f"m{at + 1}" for at in range(len(shares)))
    members = tuple(MemberFigure(port, share, speed) for port, share in zip(ports, shares, strict=True))
    changes = {
        "direction": direction,
        "members": members,
        "hot": tuple(member for member in members if member.utilisation > 0.75),
        "idle": tuple(member for member in members if member.utilisation < 0.30),
        "peak": max(shares),
        "even_split": sum(shares) / len(shares),
        **(finding or {}),
    }
    return Situation(
        finding=a_finding(**changes),
        team=TeamName("sm-07", "front", method, bundle),
        rule=Rule(),
        ports=ports,
        windows=windows_of(shares, before=before, speed=speed, way=DIRECTIONS.index(direction), why_not=why_not),
        items=virtual_ports() if items is None else items,
        **told,
    )


BROKEN = WhyNot.BROKEN
