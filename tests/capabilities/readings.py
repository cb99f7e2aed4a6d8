"""Samples as a source tells them in JSON, a line a reading."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from examples import EPOCH_MS, GIGABIT

START_S = EPOCH_MS // 1000
WINDOW_S = 30


def a_reading(after_s: float, port: str = "m1", **told: Any) -> dict[str, Any]:
    """What one port of team front of sm-07, 1 Gbit/s and up, says so many seconds after the start."""
    return {
        "time": START_S + after_s,
        "device": "sm-07",
        "port": port,
        "team": "front",
        "speed_bps": GIGABIT,
        "oper_status": "up",
        **told,
    }


def octets_in(share: float, speed_bps: int = GIGABIT, seconds: int = WINDOW_S) -> int:
    """The octets that a share of line rate is in so many seconds."""
    return round(share * speed_bps * seconds / 8)


def held(shares: Sequence[float], windows: int, **each_window: int) -> list[dict[str, Any]]:
    """Readings on the windows' edges of members that hold their shares; other counters grow by the same a window."""
    return [
        a_reading(
            window * WINDOW_S,
            f"m{member + 1}",
            out_octets=octets_in(share) * window,
            **{name: count * window for name, count in each_window.items()},
        )
        for member, share in enumerate(shares)
        for window in range(windows + 1)
    ]
