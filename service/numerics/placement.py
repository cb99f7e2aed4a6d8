"""Where whole items could go: the best placement there is, and what a load-aware mechanism would do.

The objective is to minimise the largest utilisation. Other objectives (least difference, largest smallest) have
other optima, so an answer says which it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from service.errors import WrongQuestion
from service.numerics.load_aware import Move, Outcome, moved_by_load
from service.numerics.odds_loads import checked, lowest_busiest, positions_of, shares_of
from service.terms import Floats, Ints

OBJECTIVE = "the busiest member's utilisation, as low as it can be"
__all__ = ["OBJECTIVE", "Move", "Outcome", "Placement", "best", "between", "moved_by_load"]

# A search ends at so many branches, fewer the more unknowns each has, lest a hopeless tie of many items takes minutes;
# what it found then is still a placement, and `floor` says how far from the best it can be.
MOST_BRANCHES, LEAST_BRANCHES, WORK = 400, 10, 20_000
FEW_ITEMS = 12  # of so few the best is found without a tolerance
GAP = 1e-3  # else a thousandth of the busiest utilisation is as good as nothing
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Placement:
    """Which link each item is on, (k,) positions, and what that comes to.

    `busiest` is the largest utilisation, `floor` what no placement that was allowed gets below, `moves` how many items
    change their link, and `proven` whether no other is better: by
    nothing with 12 items or fewer, by more than a thousandth of the utilisation with more.
    """

    positions: tuple[int, ...]
    busiest: float
    utilisation: tuple[float, ...]
    floor: float
    moves: int
    proven: bool


def best(
    weights_bps: Sequence[float],
    capacity_bps: Sequence[float],
    background_bps: Sequence[float],
    *,
    current: Sequence[int] | None = None,
    most_moves: int | None = None,
) -> Placement:
    """The placement of whole items whose busiest link is least busy; of equals one with the fewest moves.

    Parameters
    ----------
    weights_bps : shape (k,)
    capacity_bps, background_bps : shape (n,)
    current : shape (k,), optional
        Where the items are; with it moves are counted and kept few.
    most_moves : int, optional
        How many items may change their link; needs `current`.

    Raises
    ------
    WrongQuestion
        Where a figure is no rate, a position no link, or moves are limited from nowhere.

    Examples
    --------
    >>> best([8, 7, 6, 5, 4], [100, 100], [0, 0]).busiest
    0.15
    """
    asked = _asked((weights_bps, capacity_bps, background_bps), current, most_moves)
    found, floor, proven = _lowest(asked)
    if asked.current is not None:
        found = _fewest_moves(asked, found)
    shares = _shares(asked, found)
    floor = max(floor, float(lowest_busiest(asked.weights, asked.capacity, asked.background)))
    return Placement(
        positions=tuple(found.tolist()),
        busiest=float(max(shares)),
        utilisation=tuple(map(float, shares)),
        floor=min(float(max(shares)), floor),
        moves=_moves(asked, found),
        proven=proven or max(shares) <= floor * _tolerated(asked),
    )


def between(
    weights_bps: Sequence[float], capacity_bps: Sequence[float], background_bps: Sequence[float]
) -> tuple[float, float]:
    """Between what the busiest link's utilisation lies at best: what none gets below, and a placement that is known.

    Shapes and errors are those of `best`. It takes the heaviest first and searches no further, so it is quick however
    many items there are: within 4/3 of the best on equal links, and within a hair of it for many small items.

    Source
    ------
    Graham (1969), Bounds on multiprocessing timing anomalies.

    Examples
    --------
    >>> between([8, 7, 6, 5, 4], [100, 100], [0, 0])
    (0.15, 0.17)
    """
    asked = _asked((weights_bps, capacity_bps, background_bps), None, None)
    floor = float(lowest_busiest(asked.weights, asked.capacity, asked.background))
    return floor, float(max(_shares(asked, _greedy(asked))))


@dataclass(frozen=True)
class _Asked:
    weights: Ints
    capacity: Ints
    background: Ints
    current: Ints | None
    most_moves: int | None


def _asked(
    rates: tuple[Sequence[float], Sequence[float], Sequence[float]], current: Sequence[int] | None, moves: int | None
) -> _Asked:
    weights, capacity, background = checked(*rates)
    if moves is not None and (current is None or moves < 0):
        raise WrongQuestion("most_moves", "is 0 or more, and needs to know where each item is now")
    now = None if current is None else positions_of(current, len(weights), len(capacity))
    return _Asked(weights, capacity, background, now, moves)


def _lowest(asked: _Asked) -> tuple[Ints, float, bool]:
    """The placement with the lowest busiest utilisation, what none gets below, and whether the search ended."""
    k, n = len(asked.weights), len(asked.capacity)
    # Where moves are few, what there is now is a placement; where they are not, the heaviest first is one.
    known = _greedy(asked) if asked.current is None or asked.most_moves is None else asked.current
    if k == 0 or n == 1:
        return known, 0.0, True
    most = np.zeros(k * n + 1)
    most[-1] = 1.0
    found, floor, proven = _solved(asked, most, np.inf)
    return (known if found is None else min(found, known, key=lambda one: max(_shares(asked, one)))), floor, proven


def _fewest_moves(asked: _Asked, found: Ints) -> Ints:
    """Of placements as good as the one that was found, one that takes the fewest moves."""
    if not len(asked.weights) or len(asked.capacity) == 1:
        return found
    as_good = float(max(_shares(asked, found))) * _tolerated(asked)
    fewest, _, _ = _solved(asked, np.append(_moving(asked), 0.0), as_good)
    if fewest is None or max(_shares(asked, fewest)) > as_good * (1 + _ROUNDING):
        return found
    return min(fewest, found, key=lambda one: _moves(asked, one))


def _solved(asked: _Asked, cost: Floats, most_busy: float) -> tuple[Ints | None, float, bool]:
    """Whole items on links: x[j, i] is 1 where item j is on link i; the last unknown is the largest utilisation."""
    k, n = len(asked.weights), len(asked.capacity)
    speed = asked.capacity.astype(np.float64)
    unknown, item, link = np.arange(k * n), np.arange(k).repeat(n), np.tile(np.arange(n), k)
    each = sparse.csc_array((np.ones(k * n), (item, unknown)), shape=(k, k * n + 1))
    share = np.append((asked.weights[item] / speed[link]), -np.ones(n))
    rows, columns = np.append(link, np.arange(n)), np.append(unknown, np.full(n, k * n))
    load = sparse.csc_array((share, (rows, columns)), shape=(n, k * n + 1))
    rules = [LinearConstraint(each, 1, 1), LinearConstraint(load, -np.inf, -asked.background / speed)]
    if asked.most_moves is not None:
        rules.append(LinearConstraint(np.append(_moving(asked), 0.0)[np.newaxis], -np.inf, asked.most_moves))
    branches = max(LEAST_BRANCHES, min(MOST_BRANCHES, WORK // (k * n)))
    told = milp(
        cost,
        integrality=np.append(np.ones(k * n), 0),
        bounds=Bounds(0, np.append(np.ones(k * n), most_busy)),
        constraints=rules,
        options={"mip_rel_gap": 0.0 if k <= FEW_ITEMS else GAP, "node_limit": branches},
    )
    floor = float(told.mip_dual_bound) if told.mip_dual_bound is not None else 0.0
    found = None if told.x is None else told.x[:-1].reshape(k, n).argmax(axis=1).astype(np.int64)
    return found, floor, told.status == 0


def _moving(asked: _Asked) -> Floats:
    """1 for each unknown that would take an item from where it is."""
    n = len(asked.capacity)
    return np.ones((0, n)).ravel() if asked.current is None else (1.0 - np.eye(n)[asked.current]).ravel()


def _greedy(asked: _Asked) -> Ints:
    """Heaviest first, each to the link that is least busy with it (Graham 1969: within 4/3 of the best)."""
    loads, positions = asked.background.copy(), np.zeros(len(asked.weights), dtype=np.int64)
    for item in np.argsort(-asked.weights, kind="stable"):
        link = int(((loads + asked.weights[item]) / asked.capacity).argmin())
        loads[link] += asked.weights[item]
        positions[item] = link
    return positions


def _tolerated(asked: _Asked) -> float:
    """How many times the lowest busiest utilisation passes for it."""
    return 1 + (_ROUNDING if len(asked.weights) <= FEW_ITEMS else GAP)


def _moves(asked: _Asked, positions: Ints) -> int:
    return 0 if asked.current is None else int((positions != asked.current).sum())


def _shares(asked: _Asked, positions: Ints) -> list[Fraction]:
    return shares_of(asked.weights, positions, asked.capacity, asked.background)
