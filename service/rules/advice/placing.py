"""Placement by load, and the best that any placement reaches, in the figures of a finding."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from service.numerics.load_aware import Outcome
from service.numerics.placement import best, moved_by_load
from service.rules.advice.dealt import Dealt
from service.rules.advice.ground import Ground

MOST_SHOWN = 2  # single moves, as which of them a mechanism picks is unknown
MOST_PLACED = 24  # items; of so many the search for the best stays within some ten milliseconds


class Placed(NamedTuple):
    """Whether placement by load clears the line, whatever demand may be, and how, in words."""

    fits: bool
    text: str
    splits: str  # the utilisations that single moves lead to, as "49/45 or 53/41"


def by_load(ground: Ground, what: Dealt) -> Placed:
    """What placement by load comes to at the demand that was read, and at more where that was squeezed."""
    now, *more = (_outcome(ground, what, demand) for demand in ground.demands)
    splits = " or ".join("/".join(f"{100 * share:.0f}" for share in split) for split in _splits(now))
    told = f"{now.text}: {splits}" if splits and now.fits else now.text
    fails = [demand for demand, outcome in zip(ground.demands[1:], more, strict=True) if not outcome.fits]
    if now.fits and fails:
        told += f"; not at {fails[0]:g} times the demand"
    return Placed(now.fits, told, splits)


def _outcome(ground: Ground, what: Dealt, demand: float) -> Outcome:
    weights = tuple(weight * demand for weight in what.weights_bps)
    loads = ground.loads
    return _moved(weights, what.positions, loads.capacity_bps, what.background_bps, loads.line)


# Asked for the option and again for the line.
_moved = lru_cache(maxsize=32)(moved_by_load)


def _splits(outcome: Outcome) -> list[tuple[float, ...]]:
    """Utilisations after each single move that clears, else after all moves that were simulated."""
    single = [move.utilisation for move in outcome.clearing[:MOST_SHOWN]]
    return single or ([outcome.after] if outcome.moves else [])


def reachable(ground: Ground, what: Dealt) -> float | None:
    """The lowest busiest utilisation that whole items reach; None without items, or with too many to search."""
    if not what.weights_bps or len(what.weights_bps) > MOST_PLACED:
        return None
    found = best(what.weights_bps, ground.loads.capacity_bps, what.background_bps)
    return found.busiest if found.proven else None
