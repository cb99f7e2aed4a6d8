"""The loops behind a comparison of before and after: autocorrelation in stretches, and each side by band of load.

One team after the other, both of its sides at once: what a team needs then stays in the processor's own memory,
and ten thousand teams cost little more than reading their windows.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.numerics.compiled import compiled
from service.terms import Bytes, Floats, Ints, Singles, Truths

FLOOR = 0.10  # even split below which shape says nothing
BAND_EDGES = (0.25, 0.40, 0.55, 0.70)  # bands of even split: from the floor to the first, ..., from the last up
BANDS = len(BAND_EDGES) + 1
FULL = 0.97  # of the wire: a member that carries this much may have been asked for more
UNEVEN = 0.05  # excess from which there is a hot member to name
SLACK = 1e-14  # utilisations are quotients of whole numbers, off by some 1e-15
PATTERNS = 256  # of eligible members, eight at most

UNCOUNTED = -1

# What is constant but for the rounding of quotients has no correlation to estimate.
_CONSTANT = 1e-24


class Windows(NamedTuple):
    """Windows of one side, shape (n_teams, n_windows); `breaks` (n_windows,): does not follow the window before it.

    `eligible` is a bit set of member positions. `dropped` and `sent` are frames a second, NaN where not counted.
    """

    even_split: Floats
    busiest: Floats
    share: Floats
    total_bps: Floats
    position: npt.NDArray[np.int8]
    eligible: Bytes
    flagged: Truths
    dropped: Singles
    sent: Singles
    breaks: Truths


class Compared(NamedTuple):
    """What is found, shape (n_teams, 2), before first; (n_teams,) where said. NaN where nothing is known.

    `known` are windows in which just the team's usual members count, `counted` those of them with load enough,
    `used` those of them in bands of load that both sides have. `excess`, `busiest`, `share`, `even_split` and
    `total_bps` are means of the counted windows, or of the known ones where a side has none counted. `mean` and
    `variance` are of the excess at equal load; the variance is that of the mean, autocorrelation allowed for.
    """

    known: Ints
    counted: Ints
    used: Ints
    flagged: Ints
    tau: Floats
    mean: Floats
    variance: Floats
    excess: Floats
    busiest: Floats
    share: Floats
    even_split: Floats
    total_bps: Floats
    hot: npt.NDArray[np.int8]  # the member that is mostly the busiest where there is one clearly above the rest
    dropped: Floats
    sent: Floats
    usual: Bytes  # members that count in most windows of the side, bit set
    weights: Floats  # (n_teams, 2, BANDS) of a window of each band in the mean
    sums: Floats  # (n_teams, 2, 4) over counted windows: busiest, share, even split, bit/s
    low: Floats  # the same over those that are known and not counted
    comparable: Floats  # (n_teams,) share of the counted windows after whose band of load the time before has
    squeezed: Truths  # (n_teams,) the busiest member was full in most windows before


class Deviations(NamedTuple):
    """Deviations from a mean, 0 where not `there`, both (n,); `edges` are where stretches begin, and the end.

    `counted` are there, `squares` is the sum of their squares.
    """

    x: Floats
    there: Floats
    edges: Ints
    counted: int
    squares: float


class Room(NamedTuple):
    """Where the windows of one team and side are laid out, each (n,): its excess, its band, UNCOUNTED where none."""

    excess: Floats
    band: npt.NDArray[np.int8]
    there: Floats
    edges: Ints


class Loads(NamedTuple):
    """Windows and sums of excess by band of load, (BANDS,) each, and how many of all were full."""

    windows: Ints
    sums: Floats
    full: int


def room_for(n_teams: int) -> Compared:
    """Arrays for so many teams."""

    def of(kind: type, fill: float = 0) -> npt.NDArray[Any]:
        return np.full((n_teams, 2), fill, dtype=kind)

    figures = ("tau", "mean", "variance", "excess", "busiest", "share", "even_split", "total_bps", "dropped", "sent")
    told: dict[str, Any] = {name: of(np.float64, np.nan) for name in figures}
    return Compared(
        **{name: of(np.int64) for name in ("known", "counted", "used", "flagged")},
        **told,
        usual=of(np.uint8),
        hot=of(np.int8, -1),
        weights=np.zeros((n_teams, 2, BANDS)),
        sums=np.zeros((n_teams, 2, 4)),
        low=np.zeros((n_teams, 2, 4)),
        comparable=np.zeros(n_teams),
        squeezed=np.zeros(n_teams, dtype=np.bool_),
    )


@compiled
def rho_of(of: Deviations, lag: int) -> float:
    """The sample autocorrelation at a lag, NaN where no pair is so far apart; no pair crosses an edge.

    Over one stretch without holes it is the usual estimate, sum over pairs by sum of squares.
    """
    summed, pairs = 0.0, 0.0
    x, there, edges = of.x, of.there, of.edges
    whole = of.counted == len(x)
    for stretch in range(len(edges) - 1):
        first, end = edges[stretch], edges[stretch + 1]
        if end - first <= lag:
            continue
        summed += np.dot(x[first : end - lag], x[first + lag : end])
        pairs += end - first - lag if whole else np.dot(there[first : end - lag], there[first + lag : end])
    return summed / pairs * (of.counted - lag) / of.squares if pairs > 0 else np.nan


@compiled
def tau_of(of: Deviations, mean: float) -> float:
    """How many windows say as much as one independent one.

    Where the stretches end before the correlation has, it cannot be told: then all windows say as much as one.
    """
    count = of.counted
    if count < 2 or of.squares == 0 or of.squares <= _CONSTANT * mean * mean * count:
        return 1.0
    tau, lag = 1.0, 1
    while lag + 1 < count:
        first, second = rho_of(of, lag), rho_of(of, lag + 1)
        if np.isnan(first) or np.isnan(second):
            return float(count)
        if first + second <= 0:
            return max(tau, 1.0)
        tau += 2 * ((1 - lag / count) * first + (1 - (lag + 1) / count) * second)
        lag += 2
    return max(tau, 1.0)


@compiled
def edges_of(breaks: Truths) -> Ints:
    """Where each stretch begins, and where the last one ends."""
    edges = np.empty(len(breaks) + 1, dtype=np.int64)
    count = 0
    for window in range(len(breaks)):
        if window == 0 or breaks[window]:
            edges[count] = window
            count += 1
    edges[count] = len(breaks)
    return edges[: count + 1]


@compiled
def deviations_of(values: Floats, mean: float, edges: Ints) -> Deviations:
    """Values, (n,), as deviations from a mean; NaN is a hole."""
    x, there = np.zeros(len(values)), np.zeros(len(values))
    count = 0
    for window in range(len(values)):
        if not np.isnan(values[window]):
            x[window], there[window] = values[window] - mean, 1.0
            count += 1
    return Deviations(x, there, edges, count, np.dot(x, x))


@compiled
def taus_of(values: Floats, breaks: Truths, out: Floats) -> None:
    """Tau of each row of values, NaN where nothing is there."""
    edges = edges_of(breaks)
    for row in range(len(values)):
        mean = np.nanmean(values[row])
        found = deviations_of(values[row], mean, edges)
        out[row] = tau_of(found, mean) if found.counted else np.nan


@compiled
def _usual(eligible: Bytes) -> int:
    """Members that count in at least half of the windows in which any does, as a bit set."""
    seen = np.zeros(PATTERNS, dtype=np.int64)
    for window in range(len(eligible)):
        seen[eligible[window]] += 1
    any_known = len(eligible) - seen[0]
    usual = 0
    for member in range(8):
        count = 0
        for pattern in range(PATTERNS):
            if pattern >> member & 1:
                count += seen[pattern]
        if any_known and 2 * count >= any_known:
            usual |= 1 << member
    return usual


@compiled
def _describe(windows: Windows, team: int, side: int, out: Compared, room: Room) -> Loads:
    """Lay out one side's windows, and take the counts and sums that a verdict rests on."""
    usual = out.usual[team, 0] | out.usual[team, 1]
    even_split, busiest, share = windows.even_split[team], windows.busiest[team], windows.share[team]
    total_bps, eligible, flagged = windows.total_bps[team], windows.eligible[team], windows.flagged[team]
    position, dropped, sent = windows.position[team], windows.dropped[team], windows.sent[team]
    first, second, third, last = BAND_EDGES
    count, sums, members = np.zeros(BANDS, dtype=np.int64), np.zeros(BANDS), np.zeros(8, dtype=np.int64)
    known, counted, flags, full, uneven = 0, 0, 0, 0, 0
    low_busiest, low_share, low_even, low_total = 0.0, 0.0, 0.0, 0.0
    all_busiest, all_share, all_even, all_total = 0.0, 0.0, 0.0, 0.0
    all_dropped, all_sent = 0.0, 0.0
    excesses, bands = room.excess, room.band
    for window in range(len(even_split)):
        bands[window] = UNCOUNTED
        if sent[window] > 0:
            all_sent += sent[window]
            all_dropped += dropped[window]
        if eligible[window] != usual or usual == 0:
            continue
        even, most = even_split[window], busiest[window]
        known += 1
        if even < FLOOR - SLACK:
            low_busiest += most
            low_share += 0.0 if np.isnan(share[window]) else share[window]
            low_even += even
            low_total += total_bps[window]
            continue
        counted += 1
        all_busiest += most
        all_share += share[window]
        all_even += even
        all_total += total_bps[window]
        flags += flagged[window]
        full += most >= FULL - SLACK
        even += SLACK
        band = (even >= first) + (even >= second) + (even >= third) + (even >= last)
        excess = most - even_split[window]
        bands[window], excesses[window] = band, excess
        count[band] += 1
        sums[band] += excess
        if excess > UNEVEN:
            uneven += 1
            members[position[window]] += 1
    out.known[team, side], out.counted[team, side], out.flagged[team, side] = known, counted, flags
    out.dropped[team, side], out.sent[team, side] = all_dropped, all_sent
    hot = np.argmax(members)
    if 2 * uneven >= counted and 2 * members[hot] > uneven:
        out.hot[team, side] = hot
    _note(out.low, team, side, (low_busiest, low_share, low_even, low_total))
    _note(out.sums, team, side, (all_busiest, all_share, all_even, all_total))
    return Loads(count, sums, full)


@compiled
def _note(kept: Floats, team: int, side: int, sums: tuple[float, float, float, float]) -> None:
    kept[team, side, 0], kept[team, side, 1], kept[team, side, 2], kept[team, side, 3] = sums


@compiled
def _means(team: int, side: int, out: Compared) -> None:
    """The means of a side: of the counted windows where both sides have such, else of all that are known."""
    both = out.counted[team, 0] > 0 and out.counted[team, 1] > 0
    count = out.counted[team, side] if both else out.known[team, side]
    if count == 0:
        return
    sums = out.sums[team, side] if both else out.sums[team, side] + out.low[team, side]
    out.busiest[team, side] = sums[0] / count
    out.share[team, side] = sums[1] / count
    out.even_split[team, side] = sums[2] / count
    out.total_bps[team, side] = sums[3] / count
    out.excess[team, side] = (sums[0] - sums[2]) / count


@compiled
def _spread(room: Room, loads: Loads, means: Floats, whole: bool) -> tuple[Floats, float]:
    """The sum of squared deviations from the mean of each band, (BANDS,), and tau of the deviations."""
    squares, counted = np.zeros(BANDS), loads.windows.sum()
    excess, bands, there = room.excess, room.band, room.there  # once: an array out of a tuple is counted each time
    for window in range(len(bands)):
        band = bands[window]
        if band == UNCOUNTED:
            excess[window], there[window] = 0.0, 0.0
            continue
        if whole:
            band = 0
        off = excess[window] - means[band]
        squares[band] += off * off
        excess[window], there[window] = off, 1.0
    if counted == 0:
        return squares, np.nan
    found = Deviations(excess, there, room.edges, counted, squares.sum())
    return squares, tau_of(found, loads.sums.sum() / counted)


@compiled
def _at_equal_load(
    count: Ints, means: Floats, squares: Floats, weight: Floats, tau: float
) -> tuple[int, float, float, Floats]:
    """Of a side whose bands weigh as much as the other side's: windows used, mean, its variance, weights of windows."""
    used, bands, mean, variance, each = 0, 0, 0.0, 0.0, np.zeros(BANDS)
    for band in range(BANDS):
        if weight[band] == 0:
            continue
        share = weight[band] / weight.sum()
        used += count[band]
        bands += 1
        mean += share * means[band]
        variance += share * share * squares[band] / count[band] / count[band]
        each[band] = share / count[band]
    return used, mean, variance * tau * used / (used - bands) if used > bands else np.nan, each


@compiled
def _as_one(loads: Loads) -> None:
    loads.windows[0], loads.sums[0] = loads.windows.sum(), loads.sums.sum()
    loads.windows[1:], loads.sums[1:] = 0, 0.0


@compiled
def _compare_team(sides: tuple[Windows, Windows], rooms: tuple[Room, Room], team: int, out: Compared) -> None:
    for side in range(2):
        out.usual[team, side] = _usual(sides[side].eligible[team])
    before = _describe(sides[0], team, 0, out, rooms[0])
    after = _describe(sides[1], team, 1, out, rooms[1])
    for side in range(2):
        _means(team, side, out)
    if out.counted[team, 1] > 0:
        out.comparable[team] = after.windows[before.windows > 0].sum() / out.counted[team, 1]
    # What a full member held back came on the wire afterwards: no band of load can match, so all is one.
    whole = 0 < out.counted[team, 0] <= 2 * before.full
    out.squeezed[team] = whole
    if whole:
        _as_one(before)
        _as_one(after)
    weight = np.minimum(before.windows, after.windows).astype(np.float64)
    for side in range(2):
        loads = before if side == 0 else after
        means = loads.sums / np.maximum(loads.windows, 1)
        squares, tau = _spread(rooms[side], loads, means, whole)
        out.tau[team, side] = tau
        if weight.sum() > 0:
            found = _at_equal_load(loads.windows, means, squares, weight, tau)
            out.used[team, side], out.mean[team, side], out.variance[team, side] = found[0], found[1], found[2]
            out.weights[team, side] = found[3]


@compiled
def compare(before: Windows, after: Windows, out: Compared) -> None:
    """Compare both sides of every team, `Windows` before and after, into `Compared`."""
    n, m = before.even_split.shape[1], after.even_split.shape[1]
    room = Room(np.empty(n), np.empty(n, dtype=np.int8), np.empty(n), edges_of(before.breaks))
    room_after = Room(np.empty(m), np.empty(m, dtype=np.int8), np.empty(m), edges_of(after.breaks))
    for team in range(before.even_split.shape[0]):
        _compare_team((before, after), (room, room_after), team, out)
