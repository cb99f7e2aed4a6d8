"""Measures of a team: how evenly its members share the load, and what the present split costs.

Every measure takes arrays whose last axis is the members of a team: utilisations (shares of
line rate) and speeds (bit/s), both (..., M). A member that does not count (not eligible,
unknown, or no member at all) is NaN in the utilisations, and is left out of everything. Where
nobody counts the measure is NaN.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.errors import TooFewPorts
from service.terms import UNKNOWN, Codes, Floats


class TeamMeasures(NamedTuple):
    """All measures of a team, each of the shape of the teams asked for."""

    eligible: npt.NDArray[np.int64]  # how many members count
    even_split: Floats
    imbalance: Floats
    busiest: npt.NDArray[np.int8]  # position, UNKNOWN where nobody counts
    utilisation: Floats  # of the busiest
    busiest_share: Floats
    total_bps: Floats
    usable_bps: Floats
    stranded_bps: Floats
    room_bps: Floats
    one_lost: Floats


def team_measures(utilisation: Floats, speed_bps: npt.ArrayLike, hot_above: npt.ArrayLike = 0.75) -> TeamMeasures:
    """All measures at once.

    Parameters
    ----------
    utilisation : float, shape (..., M)
        NaN for members that do not count.
    speed_bps : shape (..., M)
    hot_above : shape (...) or one number
        The hot line of each team, for the room below it.
    """
    u, c = _counted(utilisation, speed_bps)
    position, highest = busiest(u)
    speed, carried, largest_rate = _sum(c), total(u, c), _largest(u * c)
    even = _over(carried, speed)
    most = _over(carried, highest)
    with np.errstate(divide="ignore", invalid="ignore"):
        lost = np.asarray(carried / (speed - np.nan_to_num(_largest(c))))
    return TeamMeasures(
        eligible=_count(u),
        even_split=even,
        imbalance=np.maximum(highest - even, even + _largest(-u)),
        busiest=position,
        utilisation=highest,
        busiest_share=_over(largest_rate, carried),
        total_bps=carried,
        usable_bps=most,
        stranded_bps=speed - most,
        room_bps=room(u, c, hot_above),
        one_lost=lost,
    )


def by_member(figures: npt.NDArray[Any], members: Codes, missing: Any = np.nan) -> npt.NDArray[Any]:
    """Figures of ports as figures of teams' members.

    Parameters
    ----------
    figures : shape (n_ports, n_windows, ...)
    members : int, shape (n_teams, M)
        Positions of ports, padded with UNKNOWN.
    missing
        What stands where a team has no such member.

    Returns
    -------
    shape (n_teams, n_windows, ..., M)
    """
    there = members != UNKNOWN
    picked = figures[np.where(there, members, 0)] if len(figures) else np.empty((*members.shape, *figures.shape[1:]))
    picked[~there] = missing
    return np.moveaxis(picked, 1, -1)


def even_split(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """What every member would show if the load were divided in proportion to speed, shape (...).

    Source
    ------
    RFC 7424 section 5.1: u_ave, the mean of utilisations weighted by speed.

    Examples
    --------
    >>> round(float(even_split(np.array([0.5, 0.05]), [10e9, 100e9])), 7)
    0.0909091
    """
    u, c = _counted(utilisation, speed_bps)
    return _over(_sum(u * c), _sum(c))


def imbalance(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """The largest distance of a member from the even split, shape (...).

    Absolute, so that a team that carries next to nothing scores next to nothing, whatever its ratio.

    Source
    ------
    RFC 7424 section 5.1: max over members of |u_i - u_ave|.

    Examples
    --------
    >>> round(float(imbalance(np.array([0.9, 0.1, 0.1, 0.1]), 1e9)), 12)
    0.6
    """
    u, c = _counted(utilisation, speed_bps)
    return _largest(np.abs(u - even_split(u, c)[..., np.newaxis]))


def excess(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """How far the busiest member is above the even split, shape (...)."""
    return _largest(utilisation) - even_split(utilisation, speed_bps)


def spread(utilisation: Floats) -> Floats:
    """The distance from the busiest to the least busy member, shape (...)."""
    return _largest(utilisation) + _largest(-utilisation)


def total(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """What the members that count carry together, bit/s, shape (...)."""
    u, c = _counted(utilisation, speed_bps)
    return np.where(np.isnan(_largest(u)), np.nan, _sum(u * c))


def shares(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """Each member's share of what the team carries, shape (..., M); NaN where it carries nothing."""
    u, c = _counted(utilisation, speed_bps)
    rates = u * c
    return _over(rates, _sum(rates)[..., np.newaxis])


def busiest(utilisation: Floats) -> tuple[npt.NDArray[np.int8], Floats]:
    """Position and utilisation of the busiest member, each of shape (...); the first of equals."""
    highest = _largest(utilisation)
    position = np.full(highest.shape, UNKNOWN, dtype=np.int8)
    for member in reversed(range(utilisation.shape[-1])):
        position[utilisation[..., member] == highest] = member
    return position, highest


def busiest_share(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """The largest share of the team's load that one member carries ("70/30"), shape (...)."""
    return _largest(shares(utilisation, speed_bps))


def concentration(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """The sum of squared shares, shape (...): 1 where one member carries all, 1/n where all carry the same."""
    s = shares(utilisation, speed_bps)
    return np.where(np.isnan(_largest(s)), np.nan, _sum(s**2))


def effective_links(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """How many members are in effective use, shape (...): one over the concentration."""
    return 1 / concentration(utilisation, speed_bps)


def usable(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """What the team can carry with the present split, bit/s, shape (...): the first member that fills ends it.

    Examples
    --------
    >>> round(float(usable(np.array([0.7, 0.3]), 10e9)) / 1e9, 2)
    14.29
    """
    u, _ = _counted(utilisation, speed_bps)
    # min of C/s over members is the team's rate over the highest utilisation.
    return _over(total(utilisation, speed_bps), _largest(u))


def stranded(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """What the team could carry less what it can with the present split, bit/s, shape (...)."""
    _, c = _counted(utilisation, speed_bps)
    return _sum(c) - usable(utilisation, speed_bps)


def room(utilisation: Floats, speed_bps: npt.ArrayLike, hot_above: npt.ArrayLike = 0.75) -> Floats:
    """What members below the hot line could still take up to it, bit/s, shape (...).

    Examples
    --------
    >>> round(float(room(np.array([0.92, 0.08]), 1e9)) / 1e6)
    670
    """
    u, c = _counted(utilisation, speed_bps)
    left = (np.asarray(hot_above, dtype=np.float64)[..., np.newaxis] - u) * c
    return np.where(np.isnan(_largest(u)), np.nan, _sum(np.maximum(left, 0)))


def one_lost(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """The even split that would be left without the fastest member, shape (...); infinite where it is the only one.

    Examples
    --------
    >>> float(one_lost(np.array([0.6, 0.6]), 10e9))
    1.2
    """
    u, c = _counted(utilisation, speed_bps)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(total(u, c) / (_sum(c) - np.nan_to_num(_largest(c))))


def equal_spread_capacity(utilisation: Floats, speed_bps: npt.ArrayLike) -> Floats:
    """What a team of unequal members carries when each gets the same rate, bit/s, shape (...): n times the slowest."""
    _, c = _counted(utilisation, speed_bps)
    return np.asarray(_count(c) * -_largest(-c))


def fairness(rates: Floats) -> Floats:
    """Fairness index of rates, for description only: it calls 93 % of 1 G beside 10 % of 10 G nearly perfect.

    Returns
    -------
    shape (...)
        From 1/n (one carries all) to 1 (all the same); NaN where nobody carries anything.

    Raises
    ------
    TooFewPorts
        With fewer than two members there is nothing to compare.

    Source
    ------
    RFC 5166 section 2.3.1 (Jain's index): (sum x)^2 / (n sum x^2); k/n when k of n share equally.

    Examples
    --------
    >>> float(fairness(np.array([2.0, 1.0])))
    0.9
    """
    if rates.shape[-1] < 2:
        raise TooFewPorts(rates.shape[-1])
    members = _count(rates)
    # Relative to the largest: squares of tiny rates vanish.
    x = _over(rates, _largest(rates)[..., np.newaxis])
    return _over(_sum(x) ** 2, members * _sum(x**2))


def _counted(utilisation: Floats, speed_bps: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Utilisations and speeds with NaN in both for members that do not count."""
    u, c = np.broadcast_arrays(utilisation, np.asarray(speed_bps, dtype=np.float64))
    unknown = np.isnan(u) | ~(c > 0)
    return np.where(unknown, np.nan, u), np.where(unknown, np.nan, c)


# Teams have few members: member by member over all teams at once is ten times quicker than reducing a short axis.


def _sum(figures: Floats) -> Floats:
    """The sum over members, those that do not count left out."""
    summed = np.zeros(figures.shape[:-1])
    for member in range(figures.shape[-1]):
        figure = figures[..., member]
        np.add(summed, figure, out=summed, where=figure == figure)  # noqa: PLR0124  # NaN is what differs from itself
    return summed


def _largest(figures: Floats) -> Floats:
    """The largest over members, NaN where none counts."""
    largest = np.full(figures.shape[:-1], np.nan)
    for member in range(figures.shape[-1]):
        np.fmax(largest, figures[..., member], out=largest)
    return largest


def _count(figures: Floats) -> npt.NDArray[np.int64]:
    """How many members count."""
    counted = np.zeros(figures.shape[:-1], dtype=np.int64)
    for member in range(figures.shape[-1]):
        counted += ~np.isnan(figures[..., member])
    return counted


def _over(above: Floats, below: Floats) -> Floats:
    """A quotient, NaN where nothing is divided by nothing."""
    nothing = np.full(np.broadcast_shapes(above.shape, below.shape), np.nan)
    return np.asarray(np.divide(above, below, out=nothing, where=below != 0))
