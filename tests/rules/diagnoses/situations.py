"""Situations for tests of explanations, from utilisations and packets window by window."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from examples import EPOCH_MS, GIGABIT, a_finding

from service.rules.situation import Situation
from service.terms import Basis, Item, MemberFigure, MemberWindows, Rule, Span, TeamName

WIDTH_MS = 30_000
Rows = Sequence[Sequence[float]]


def windows(out: Rows, in_: Rows | None = None, *, cap: int = GIGABIT, **more: np.ndarray) -> MemberWindows:
    """Windows of members, out and in, all eligible and on wire; other figures are unknown or handed in."""
    outward = np.array(out, dtype=float)
    inward = np.full(outward.shape, 0.01) if in_ is None else np.array(in_, dtype=float)
    used = np.stack([outward, inward], axis=-1)
    shape = outward.shape
    blank = {
        name: np.full((*shape, 2), np.nan, dtype=np.float32)
        for name in ("discard_ratio", "packets", "mcast", "bcast", "errors")
    }
    return MemberWindows(
        span=Span(EPOCH_MS, shape[1], WIDTH_MS),
        utilisation=used,
        lower=used.astype(np.float32),
        upper=used.astype(np.float32),
        coverage=np.ones((*shape, 2), dtype=np.float32),
        basis=np.full((*shape, 2), Basis.WIRE, dtype=np.uint8),
        speed_bps=np.full(shape, cap, dtype=np.int64),
        marks=np.zeros(shape, dtype=np.uint16),
        why_not=np.zeros((*shape, 2), dtype=np.uint8),
        **{**blank, **more},
    )


def a_situation(told: MemberWindows, *, method: str = "unknown", bundle: str = "", **more: object) -> Situation:
    """The situation of a finding whose figures are those of the newest window."""
    finding = more.pop("finding", None) or finding_of(told, str(more.pop("direction", "egress")))
    ports = tuple(f"m{port + 1}" for port in range(len(told.utilisation)))
    return Situation(finding, TeamName("sm-07", "front", method, bundle), Rule(), ports, told, **more)


def finding_of(told: MemberWindows, direction: str = "egress", **changes: object):
    """A finding that is so in the newest window, of any members above 75 % beside those below 30 %."""
    way = 0 if direction == "egress" else 1
    used, speeds = told.utilisation[:, -1, way], told.speed_bps[:, -1]
    members = tuple(
        MemberFigure(f"m{port + 1}", float(u), int(bps)) for port, (u, bps) in enumerate(zip(used, speeds, strict=True))
    )
    figures = {
        "direction": direction,
        "members": members,
        "hot": tuple(member for member in members if member.utilisation > 0.75),
        "idle": tuple(member for member in members if member.utilisation < 0.30),
        "even_split": float((used * speeds).sum() / speeds.sum()),
        "peak_port": members[int(used.argmax())].port,
        "hot_until_ms": told.span.end_ms,
        "raised_ms": told.span.end_ms,
    }
    return replace(a_finding(), **{**figures, **changes})


def an_item(name: str, port: str, mbps: float, kind: str = "virtual-port", **more: object) -> Item:
    """An item of so many Mbit/s on a member."""
    return Item(kind, name, port, mbps * 1e6, **more)


def packets(out: Rows, in_: Rows) -> np.ndarray:
    """Packets a second, out and in."""
    return np.stack([np.array(out, dtype=np.float32), np.array(in_, dtype=np.float32)], axis=-1)
