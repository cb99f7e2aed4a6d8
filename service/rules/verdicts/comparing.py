"""What came of a change: verdicts of teams from the windows before it and those after it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from service.numerics import bootstrap
from service.numerics.comparing_loop import BAND_EDGES, FLOOR, SLACK, Compared, compare, room_for
from service.rules.verdicts import wording
from service.rules.verdicts.case import Case
from service.rules.verdicts.deciding import decided, harms
from service.rules.verdicts.series import Series
from service.terms import Floats, Side, Verdict

DAY_MS, HOUR_MS = 86_400_000, 3_600_000


def verdict(before: Series, after: Series, *, clear_below: float = 0.70) -> Verdict:
    """The verdict of one team; both series are of one."""
    return verdicts(before, after, clear_below=clear_below)[0]


def verdicts(before: Series, after: Series, *, clear_below: npt.ArrayLike = 0.70) -> tuple[Verdict, ...]:
    """The verdicts of many teams at once, in their order.

    Parameters
    ----------
    before, after : Series
        The same teams with the same members by position; windows as many as there are on either side.
    clear_below : shape (n_teams,) or one number
        The clear line: a team whose even split lies above it is full, however even.

    Returns
    -------
    tuple of Verdict
        The interval is Welch's, with effective sample sizes for sample sizes; beside it that of a block bootstrap
        where both sides hold a day or more.

    Source
    ------
    Welch, Biometrika 34 (1947), with the degrees of freedom of Satterthwaite (from memory).
    """
    found = room_for(len(before.ports))
    compare(before.windows(), after.windows(), found)
    sides = Sides(before, after, found, np.broadcast_to(np.asarray(clear_below, float), (len(before.ports),)))
    return tuple(_verdict(sides.case(team)) for team in range(len(before.ports)))


def _verdict(case: Case) -> Verdict:
    decision, harm = decided(case), harms(case)
    even = case.after.even_split
    told = Verdict(
        outcome=decision.outcome,
        text="",
        before=case.before,
        after=case.after,
        difference=case.difference,
        low=case.low,
        high=case.high,
        boot_low=case.boot_low,
        boot_high=case.boot_high,
        load_ratio=case.load_ratio,
        comparable=None if case.squeezed else case.comparable,
        harm=harm,
        now_full=even is not None and even > case.clear_below + SLACK,
        reasons=decision.reasons,
        could_tell_ms=decision.could_tell_ms,
    )
    return wording.worded(told)


class Sides:
    """Both sides of all teams and what the loop found of them; lists, as an item of a list costs a tenth."""

    def __init__(self, before: Series, after: Series, found: Compared, clear_below: Floats) -> None:
        self._series = (before, after)
        self._found = found
        self._of = {name: figures.tolist() for name, figures in found._asdict().items() if name not in _INNER}
        self._clear = clear_below.tolist()
        self._effective = _effective(found).tolist()
        self._interval = [figures.tolist() for figures in interval(found)]
        self._load = load_ratio(found).tolist()

    def case(self, team: int) -> Case:
        """Everything that bears on the verdict of a team."""
        before, after = self._series
        difference, low, high = (_none(figures[team]) for figures in self._interval)
        boot = self._bootstrap(team) if difference is not None and self._are_long() else None
        was, now = self._of["usual"][team]
        names = before.ports[team]
        return Case(
            before=self._side(team, 0),
            after=self._side(team, 1),
            difference=difference,
            low=low,
            high=high,
            load_ratio=_none(self._load[team]),
            comparable=self._of["comparable"][team],
            squeezed=self._of["squeezed"][team],
            used=tuple(self._of["used"][team]),
            variances=tuple(self._of["variance"][team]),
            clear_below=self._clear[team],
            first_after_ms=int(after.starts[0]) if len(after.starts) else None,
            after_ms=int(after.starts[-1] - after.starts[0]) + after.width_ms if len(after.starts) else 0,
            only_before=_named(names, was & ~now) if now else (),
            only_after=_named(names, now & ~was) if was else (),
            gone=_named(names, was & ~now & lost(after, team)) if was & ~now else (),
            boot_low=boot.low if boot else None,
            boot_high=boot.high if boot else None,
        )

    def _side(self, team: int, side: int) -> Side:
        of = {name: figures[team][side] for name, figures in self._of.items() if name not in _OF_TEAM}
        series = self._series[side]
        level = of["excess"] if np.isnan(of["mean"]) else of["mean"]
        return Side(
            windows=len(series.starts),
            counted=of["counted"],
            effective=self._effective[team][side],
            tau=1.0 if np.isnan(of["tau"]) else of["tau"],
            excess=_none(level),
            busiest=_none(of["busiest"]),
            share=_none(of["share"]),
            even_split=_none(of["even_split"]),
            delivered_bps=_none(of["total_bps"]),
            flagged_minutes=60 * of["flagged"] / of["counted"] if of["counted"] else 0.0,
            discard_ratio=of["dropped"] / of["sent"] if of["sent"] > 0 else None,
            hot_port=series.ports[team][of["hot"]] if of["hot"] >= 0 else "",
        )

    def _are_long(self) -> bool:
        return all(len(series.starts) * series.width_ms >= DAY_MS for series in self._series)

    def _bootstrap(self, team: int) -> bootstrap.Interval | None:
        sides = [self._drawn_from(team, side) for side in (0, 1)]
        return bootstrap.difference(sides[0], sides[1])

    def _drawn_from(self, team: int, side: int) -> tuple[Floats, Floats, int]:
        """A side's excess, the weight of each window, and how many windows make a block."""
        series, found = self._series[side], self._found
        even, usual = series.even_split[team], int(found.usual[team].max())
        counted = (series.eligible[team] == usual) & (even >= FLOOR - SLACK)
        band = np.zeros(len(even), dtype=np.int64)
        if not found.squeezed[team]:
            band = np.searchsorted(np.array(BAND_EDGES) - SLACK, even, side="right")
        weight = np.where(counted, found.weights[team, side][band], 0.0)
        block = max(2 * float(found.tau[team, side]), HOUR_MS / series.width_ms)
        return np.where(weight > 0, series.excess[team], 0.0), weight, int(np.ceil(block))


_INNER = ("weights", "sums", "low")
_OF_TEAM = ("comparable", "squeezed")


def interval(found: Compared) -> tuple[Floats, Floats, Floats]:
    """Difference of the two means and its 95 % bounds, each (n_teams,), NaN where nothing can be said."""
    n, variance = _effective(found), found.variance
    difference, whole = found.mean[:, 1] - found.mean[:, 0], variance.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = whole**2 / (variance**2 / (n - 1)).sum(axis=1)
    freedom = np.where(whole == 0, n.sum(axis=1) - 2, freedom)
    told = (n > 1).all(axis=1) & (freedom > 0)
    half = np.where(told, stdtrit(np.where(told, freedom, 1.0), 0.975) * np.sqrt(whole), np.nan)
    return difference, difference - half, difference + half


def load_ratio(found: Compared) -> Floats:
    """What the team carried after by what it carried before, (n_teams,)."""
    before, after = found.total_bps[:, 0], found.total_bps[:, 1]
    return np.asarray(np.divide(after, before, out=np.full(len(before), np.nan), where=before > 0))


def _effective(found: Compared) -> Floats:
    """Effective sample sizes, (n_teams, 2): of windows at equal load, or of the counted ones where none are."""
    windows = np.where(found.used > 0, found.used, found.counted)
    return np.nan_to_num(windows / found.tau)


def lost(after: Series, team: int) -> int:
    """Members that are known to be down, out or broken in at least half of the windows, as a bit set."""
    places = range(len(after.ports[team]))
    return sum(1 << place for place in places if 2 * ((after.lost[team] >> place) & 1).sum() >= len(after.starts))


def _named(ports: tuple[str, ...], bits: int) -> tuple[str, ...]:
    return tuple(port for place, port in enumerate(ports) if bits >> place & 1)


def _none(figure: float) -> float | None:
    return None if np.isnan(figure) else figure
