"""Team windows for tests of the rules, made from members' utilisations in words of one letter or in numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from examples import EPOCH_MS

from service.terms import Basis, Kind, Span, TeamWindows

WIDTH_MS = 30_000
FIRST_SLOT = EPOCH_MS // WIDTH_MS


def end_of(window: int) -> int:
    """When the window of that number, counted from 0, ends."""
    return EPOCH_MS + (window + 1) * WIDTH_MS


def team_windows(columns: Sequence[Sequence[dict[str, object]]], *, first: int = 0) -> TeamWindows:
    """Windows of teams, egress only: a list of windows a team, each a dict of what is not plain calm."""
    shape = (len(columns), len(columns[0]), 2)
    plain = {
        "evaluable": False,
        "even_split": 0.4,
        "imbalance": 0.3,
        "utilisation": 0.1,
        "busiest": 0,
        "busiest_share": 0.8,
        "total_bps": 800e6,
        "usable_bps": 1e9,
        "stranded_bps": 1e9,
        "room_bps": 5e8,
        "one_lost": 0.8,
        "hot": 0,
        "idle": 0,
        "kind": Kind.NONE,
        "degraded": False,
        "calm": False,
        "calm_full": False,
        "calm_degraded": False,
        "basis": Basis.WIRE,
        "discards": np.nan,
    }
    types = {
        "busiest": np.int8,
        "hot": np.uint8,
        "idle": np.uint8,
        "kind": np.uint8,
        "basis": np.uint8,
        "discards": np.float32,
    }
    truths = ("evaluable", "degraded", "calm", "calm_full", "calm_degraded")
    arrays = {
        name: np.full(shape, value, dtype=types.get(name, np.bool_ if name in truths else np.float64))
        for name, value in plain.items()
    }
    for team, windows in enumerate(columns):
        for window, told in enumerate(windows):
            for name, value in told.items():
                arrays[name][team, window, 0] = value
    return TeamWindows(span=Span(EPOCH_MS + first * WIDTH_MS, shape[1], WIDTH_MS), **arrays)


def hot(member: int = 0, **more: object) -> dict[str, object]:
    """A window in which one member runs at 92 % beside an idle one."""
    return {
        "evaluable": True,
        "kind": Kind.UNEVEN,
        "hot": 1 << member,
        "busiest": member,
        "idle": 1 << (1 - member),
        "utilisation": 0.88,
        **more,
    }


def calm(**more: object) -> dict[str, object]:
    """A window in which nothing is hot."""
    return {"evaluable": True, "calm": True, "calm_full": True, "calm_degraded": True, **more}


def band(**more: object) -> dict[str, object]:
    """A window between the lines: no longer hot, not yet calm."""
    return {"evaluable": True, "utilisation": 0.74, **more}


def missing() -> dict[str, object]:
    """A window of which nothing is known."""
    return {}


LETTERS = {"T": hot, "C": calm, "B": band, "-": missing}


def windows_of(word: str) -> list[dict[str, object]]:
    """One team's windows from a word: T hot, C calm, B between the lines, - missing."""
    return [LETTERS[letter]() for letter in word]
