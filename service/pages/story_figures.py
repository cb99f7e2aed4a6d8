"""Stories whose point is no window: chances, verdicts, gaps and bits, each reckoned by what the advice uses."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from service.feeds.snmp import lacp
from service.numerics.odds import chances
from service.numerics.placement import best
from service.pages.spoken import per_cent
from service.pages.story_samples import EPOCH_MS, GIGABIT, SECOND, WINDOW_S
from service.rules.life import advance, fresh
from service.rules.table import rule_table
from service.rules.verdicts.comparing import verdict
from service.rules.verdicts.series import Series
from service.rules.verdicts.wording import heading
from service.terms import Basis, Kind, LacpState, Rule, Span, TeamName, TeamWindows

Given = Mapping[str, Any]
DAY_MS = 86_400_000
HOT_ABOVE = Rule().hot_above
TIMES = 15  # four windows are no proof of anything: they are repeated for half an hour


def _draws(given: Given) -> tuple[str, ...]:
    """What a new draw, and the best placement, would come to."""
    cap, rates = given["cap_mbps"] * 1e6, [mbps * 1e6 for mbps in given["vports_mbps"].values()]
    drawn, alike = (chances(some, [cap] * 2, [0.0] * 2, HOT_ABOVE)[0].success for some in (rates, [120e6] * 8))
    placed = best(rates, [cap] * 2, [0.0] * 2).busiest
    return (
        f"A new draw keeps both members below {per_cent(HOT_ABOVE)} with a chance of {per_cent(drawn, 1)}.",
        f"The best placement of whole virtual ports has {per_cent(placed, 1)} on the busier member.",
        f"Were the same traffic eight equal conversations, a draw would do with {per_cent(alike, 1)}.",
    )


def _verdicts(given: Given) -> tuple[str, ...]:
    """Three changes and what came of them."""
    quieter = verdict(_side(given["a"]["before"]), _side(given["a"]["after"], 1))
    freed = verdict(_side(given["b"]["before"], times=TIMES), _side(given["b"]["after"], 1, TIMES))
    slow = verdict(_apart(given["c"]["before"]), _apart(given["c"]["after"], 1))
    named = (("A tenth of the load", quieter), ("Freed", freed), ("Slow to change", slow))
    return tuple(
        f"{name}: {heading(one)}. The busiest member had {_of(one.before.share)}, and after it {_of(one.after.share)}."
        for name, one in named
    )


def _gaps(given: Given) -> tuple[str, ...]:
    """When a finding is raised from windows that are flagged (T), or have no samples (-)."""
    table = rule_table((Rule(),), [TeamName("sm-07", "front")], WINDOW_S * SECOND)
    said = []
    for word in given.values():
        steps = advance(fresh(1), _flagged(word), table)[1]
        at = [(step.at_ms - EPOCH_MS) // (WINDOW_S * SECOND) for step in steps if step.what == "raised"]
        said.append(f"{word}: {f'raised after window {at[0]}' if at else 'not raised'}")
    return tuple(said)


def _bits(given: Given) -> tuple[str, ...]:
    """One state in the order of its octet and in that of a bit string."""
    octet, bits = (int(given[name], 16) for name in ("octet", "bits"))
    wrong = LacpState(bits)
    return (
        f"{given['octet']} as the octet of the protocol: {_named(lacp.from_octet(octet))}.",
        f"{given['bits']} as a string of bits, first bit first: {_named(lacp.from_bits(bits.to_bytes(1, 'big')))}.",
        f"{given['bits']} read as an octet: {_named(wrong)}"
        f"{'.' if lacp.plausible(wrong) else ': no port can be that, and so it is not believed.'}",
    )


FIGURES: dict[str, Callable[[Given], tuple[str, ...]]] = {"D20": _draws, "D25": _verdicts, "R06": _gaps, "R07": _bits}


def _of(share: float | None) -> str:
    return f"{per_cent(share, 1)} of the load"


def _named(state: LacpState | None) -> str:
    return ", ".join(flag.name.lower().replace("_", " ") for flag in state or LacpState(0) if flag.name)


def _side(mbps: list[list[int]], day: int = 0, times: int = 1) -> Series:
    return _series(np.tile(np.array(mbps) / 1000, times), EPOCH_MS + day * DAY_MS)


def _apart(points: list[int], day: int = 0) -> Series:
    """Two members, so many points above and below an even split of 40 %."""
    excess = np.array(points) / 100
    return _series(np.stack([0.4 + excess, 0.4 - excess]), EPOCH_MS + day * DAY_MS)


def _series(u: Any, first_ms: int) -> Series:
    """One side of a comparison from what members of 1 Gbit/s carry, shape (n_members, n_windows)."""
    u = u[:, np.newaxis]
    shape, total, busiest = u.shape[1:], u.sum(axis=0), u.max(axis=0)
    return Series(
        ports=(tuple(f"m{member + 1}" for member in range(len(u))),),
        starts=first_ms + np.arange(shape[1]) * WINDOW_S * SECOND,
        width_ms=WINDOW_S * SECOND,
        even_split=total / len(u),
        busiest=busiest,
        share=busiest / total,
        total_bps=total * GIGABIT,
        position=u.argmax(axis=0).astype(np.int8),
        eligible=np.full(shape, (1 << len(u)) - 1, dtype=np.uint8),
        lost=np.zeros(shape, dtype=np.uint8),
        flagged=(busiest > HOT_ABOVE) & (u.min(axis=0) < Rule().idle_below),
        dropped=np.full(shape, np.nan, dtype=np.float32),
        sent=np.full(shape, np.nan, dtype=np.float32),
    )


def _flagged(word: str) -> TeamWindows:
    """Windows of one team, egress only: uneven where the word has a T, without samples elsewhere."""
    is_flagged = np.zeros((1, len(word), 2), dtype=bool)
    is_flagged[0, :, 0] = [letter == "T" for letter in word]
    figures = {name: np.where(is_flagged, 0.8, np.nan) for name in _FIGURES_OF_TEAMS}
    truths = {name: np.zeros(is_flagged.shape, dtype=bool) for name in _NEVER}
    words: dict[str, Any] = {
        "kind": np.where(is_flagged, np.uint8(Kind.UNEVEN), np.uint8(Kind.NONE)),
        "hot": is_flagged.astype(np.uint8),
        "idle": is_flagged.astype(np.uint8) * np.uint8(2),
        "busiest": np.zeros(is_flagged.shape, dtype=np.int8),
        "basis": np.full(is_flagged.shape, Basis.WIRE, dtype=np.uint8),
        "discards": np.full(is_flagged.shape, np.nan, dtype=np.float32),
    }
    return TeamWindows(span=Span(EPOCH_MS, len(word)), evaluable=is_flagged, **figures, **truths, **words)


_NEVER = ("degraded", "calm", "calm_full", "calm_degraded")
_FIGURES_OF_TEAMS = (
    "even_split",
    "imbalance",
    "utilisation",
    "busiest_share",
    "total_bps",
    "usable_bps",
    "stranded_bps",
    "room_bps",
    "one_lost",
)
