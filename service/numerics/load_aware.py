"""What a mechanism that places virtual ports by load would do, simulated move by move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from service.numerics.odds_loads import checked, positions_of, shares_of
from service.terms import Ints

LEAST_GAIN = Fraction(5, 100)  # a move that makes the busiest member less busy by less is not made
MOST_MOVES = 64  # windows looked at; each move lowers the busiest by 5 points, so that none needs more
_LINE_PARTS = 10**6


@dataclass(frozen=True)
class Move:
    """An item taken from one link to another, and the utilisations after it, shape (n,)."""

    item: int
    source: int
    target: int
    utilisation: tuple[float, ...]

    @property
    def busiest(self) -> float:
        """The largest utilisation after the move."""
        return max(self.utilisation)


@dataclass(frozen=True)
class Outcome:
    """What placement by load comes to.

    `fits` says whether no link is above the line at the end; `moves` are those simulated, one a window; `clearing`
    are all single moves that would clear the line at once, since which of them a real mechanism picks is unknown.
    `too_large` are items that no link can take below the line: those oscillate or sit still.
    """

    fits: bool
    moves: tuple[Move, ...]
    clearing: tuple[Move, ...]
    before: tuple[float, ...]
    after: tuple[float, ...]
    too_large: tuple[int, ...]
    text: str


def moved_by_load(
    weights_bps: Sequence[float],
    positions: Sequence[int],
    capacity_bps: Sequence[float],
    background_bps: Sequence[float],
    line: float,
) -> Outcome:
    """Simulate placement by load: each window at most one move, the one that leaves the busiest link least busy.

    It moves only while a link is above the line and only for 5 points or more, and stops as soon as nothing is above
    the line: it does not even out 70/30.

    Parameters
    ----------
    weights_bps, positions : shape (k,)
        Rates of the virtual ports, and the link each is on.
    capacity_bps, background_bps : shape (n,)
    line : float

    Source
    ------
    Common practice, no source: such a mechanism looks every 30 s and acts on a member above 75 %.

    Examples
    --------
    >>> moved_by_load([430, 390, 60, 40], [0, 0, 0, 0], [1000, 1000], [0, 0], 0.75).after
    (0.49, 0.43)
    """
    weights, capacity, background = checked(weights_bps, capacity_bps, background_bps)
    team = _Team(weights, capacity, background, Fraction(line).limit_denominator(_LINE_PARTS))
    at = positions_of(positions, len(weights), len(capacity))
    before, clearing, moves = team.shares(at), team.clearing(at), []
    for _ in range(MOST_MOVES):
        move = team.next_move(at)
        if move is None:
            break
        moves.append(move)
        at = _moved(at, move.item, move.target)
    after = team.shares(at)
    large = team.too_large()
    fits = max(after) <= team.line
    counts = (len(moves), len(clearing))
    return Outcome(fits, tuple(moves), clearing, _floats(before), _floats(after), large, _text(fits, counts, large))


@dataclass(frozen=True)
class _Team:
    weights: Ints
    capacity: Ints
    background: Ints
    line: Fraction

    def shares(self, at: Ints) -> list[Fraction]:
        return shares_of(self.weights, at, self.capacity, self.background)

    def moves(self, at: Ints) -> list[tuple[Fraction, int, int]]:
        """All moves of an item off a link that is above the line: busiest utilisation after it, item, target."""
        now = self.shares(at)
        hot = {link for link, share in enumerate(now) if share > self.line}
        return [
            (max(self.after(now, item, (int(at[item]), target))), item, target)
            for item in range(len(self.weights))
            if int(at[item]) in hot and self.weights[item]
            for target in range(len(self.capacity))
            if target != at[item]
        ]

    def after(self, now: Sequence[Fraction], item: int, way: tuple[int, int]) -> list[Fraction]:
        """The shares once an item has gone its way: two links differ, and no sum over all items is needed."""
        shares, weight = list(now), int(self.weights[item])
        for link, sign in zip(way, (-1, 1), strict=True):
            shares[link] += Fraction(sign * weight, int(self.capacity[link]))
        return shares

    def next_move(self, at: Ints) -> Move | None:
        found = min(self.moves(at), default=None)
        if found is None or found[0] > max(self.shares(at)) - LEAST_GAIN:
            return None
        return self.move(at, found[1], found[2])

    def clearing(self, at: Ints) -> tuple[Move, ...]:
        return tuple(
            self.move(at, item, target) for busiest, item, target in sorted(self.moves(at)) if busiest <= self.line
        )

    def move(self, at: Ints, item: int, target: int) -> Move:
        after = self.shares(_moved(at, item, target))
        return Move(item, int(at[item]), target, _floats(after))

    def too_large(self) -> tuple[int, ...]:
        most = max(
            self.line * int(speed) - int(other) for speed, other in zip(self.capacity, self.background, strict=True)
        )
        return tuple(item for item, weight in enumerate(self.weights.tolist()) if weight > most)


def _moved(at: Ints, item: int, target: int) -> Ints:
    after = at.copy()
    after[item] = target
    return after


def _floats(shares: Sequence[Fraction]) -> tuple[float, ...]:
    return tuple(map(float, shares))


def _text(fits: bool, counts: tuple[int, int], large: tuple[int, ...]) -> str:
    moves, clearing = counts
    if fits and not moves:
        return "nothing is above the line, so it moves nothing"
    if fits:
        said = "one move clears the line" if moves == 1 else f"{moves} moves, one a window, clear the line"
        return f"{said} and there it stops" + (f"; {clearing} single moves would" if clearing > 1 else "")
    if large:
        return "it cannot: an item is above the line on every link, so it will oscillate or sit still"
    if moves:
        return f"it cannot: after {moves} moves the busiest is still above the line and nothing gains 5 points more"
    return "it cannot: no move of one item gains 5 points, so it sits still"
