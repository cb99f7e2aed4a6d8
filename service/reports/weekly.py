"""The week of all teams in words: the same week gives the same paper."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import TypeVar
from urllib.parse import urlencode

from service.reports.paper import Cell, Figure, Paper, Sheet
from service.rules.weekly.stranding import FLOOR_GBIT_HOURS
from service.rules.weekly.trend import Trend
from service.rules.weekly.week import DAY_MS, FOLLOWED, HeadingLine, LosingLine, Side, StrandedLine, Week
from service.terms import DIRECTIONS
from service.webhooks import spoken
from service.webhooks.fields import instant

MOST_ROWS = 10
MOST_FURTHER = 50
MOST_WEEKS = 520
"""Ten years: whoever reads further into a line through half a year reads tea leaves."""
GBIT_HOURS = "Gbit/s·h"
Line = TypeVar("Line")


def paper(week: Week) -> Paper:
    """Six figures, three sentences, one table; the rest on the pages after."""
    return Paper(
        title="The week of the teams",
        span=_span(week),
        from_ms=week.from_ms,
        to_ms=week.to_ms,
        figures=_figures(week),
        sentences=(_stranded_said(week), _losing_said(week), _heading_said(week)),
        table=_stranded(week),
        further=(_losing(week), _heading(week), _methods(week)),
        cautions=("What a team could be changed to is for your own change control to decide.",),
    )


def address(week: Week, days_on: int = 0) -> str:
    """The page of a week, or of the one that ends so many days later."""
    return f"/week?{urlencode({'until': instant(week.to_ms + days_on * DAY_MS)})}"


def _span(week: Week) -> str:
    first, last = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (week.from_ms, week.to_ms - DAY_MS))
    return f"{first:%Y-%m-%d} to {last:%Y-%m-%d}, whole days in UTC"


def _figures(week: Week) -> tuple[Figure, ...]:
    known, here = bool(week.teams), address(week)
    lost, left = len({one.side.team_id for one in week.losing}), len({one.side.team_id for one in week.stranded})
    return (
        Figure("teams seen", _count(week.teams, "teams", "/teams")),
        Figure("of their time was seen", _per_cent(week.seen)),
        Figure(
            "of capacity lay stranded", _number(week.gbit_hours if known else math.nan, GBIT_HOURS, f"{here}#stranded")
        ),
        Figure("teams left capacity stranded", _count(left if known else None, "teams", f"{here}#stranded")),
        Figure("teams cannot lose a member", _count(lost if known else None, "teams", f"{here}#losing")),
        Figure(
            "teams use a method that their far end cannot bear", _count(week.mismatched, "teams", f"{here}#methods")
        ),
    )


def _stranded_said(week: Week) -> str:
    if not week.teams:
        return "No day of any team was summed up in this week, so that nothing is known of it."
    if not week.stranded:
        return f"No team left {FLOOR_GBIT_HOURS:g} {GBIT_HOURS} or more stranded."
    worst = week.stranded[0]
    return (
        f"{week.gbit_hours:.1f} {GBIT_HOURS} of capacity lay stranded, most of it at {_name(worst.side)}:"
        f" {worst.gbit_hours:.1f} {GBIT_HOURS} in {worst.hours:.1f} h."
    )


def _losing_said(week: Week) -> str:
    if not week.teams:
        return "Whether every team could lose a member is unknown."
    if not week.losing:
        return "Every team that was seen could have carried its busiest hour with a member less."
    worst = week.losing[0]
    many = len({one.side.team_id for one in week.losing})
    count = "One team" if many == 1 else f"{many} teams"
    return (
        f"{count} could not have carried the busiest hour with a member less;"
        f" {_name(worst.side)} would have been at {_load(worst.load)}."
    )


def _heading_said(week: Week) -> str:
    told = [line for line in week.heading if line.trend is not None]
    if not told:
        return "Where the even split is heading is unknown: fewer than three weeks are kept."
    first = min(told, key=lambda line: (line.trend.weeks if line.trend else math.inf, -line.even_split))
    trend = first.trend
    if trend is None or math.isinf(trend.weeks):
        return "The even split of none of the fullest teams rises towards its hot line."
    if trend.weeks == 0:
        return f"The even split of {_name(first.side)} is already above {first.crossing:.0f} %."
    return (
        f"The even split of {_name(first.side)} changes by {_points(trend.slope)} a week and would cross"
        f" {first.crossing:.0f} % in {_weeks(trend.weeks)} ({_range(trend)})."
    )


def _stranded(week: Week) -> Sheet:
    return Sheet(
        key="stranded",
        caption="Where capacity lay stranded",
        columns=("Team", "Stranded", "In", "On average"),
        rows=tuple(_stranded_row(week, line) for line in week.stranded[:MOST_ROWS]),
        none="Nowhere above the floor." if week.teams else "Unknown.",
        note=_more(week.stranded, MOST_ROWS, f"Capacity times time, from {FLOOR_GBIT_HOURS:g} {GBIT_HOURS} a week on."),
    )


def _stranded_row(week: Week, line: StrandedLine) -> tuple[Cell, ...]:
    place = _chart(line.side, week.to_ms)
    return (
        _about(line.side),
        _number(line.gbit_hours, GBIT_HOURS, place),
        _number(line.hours, "h", place),
        _number(line.gbit_hours / line.hours if line.hours else math.nan, "Gbit/s", place, 2),
    )


def _losing(week: Week) -> Sheet:
    return Sheet(
        key="losing",
        caption="Who cannot lose a member",
        columns=("Team", "Busiest hour from", "It carried", "Without its fastest member"),
        rows=tuple(_losing_row(line) for line in week.losing[:MOST_FURTHER]),
        none="Nobody among those that were seen." if week.teams else "Unknown.",
        note=_more(week.losing, MOST_FURTHER, "95th percentile of the busiest hour against what would be left."),
    )


def _losing_row(line: LosingLine) -> tuple[Cell, ...]:
    place = _chart(line.side, line.busy_ms + 3_600_000, "2h")
    begun = (instant(line.busy_ms) or "").replace("T", " ").replace(":00Z", "")
    return (
        _about(line.side),
        Cell(begun, line.busy_ms, "ms since 1970", place),
        _number(line.busy_bps / 1e9, "Gbit/s", place, 2),
        Cell(_load(line.load), 100 * line.load if math.isfinite(line.load) else None, "%", place),
    )


def _heading(week: Week) -> Sheet:
    return Sheet(
        key="heading",
        caption="Where the even split is heading",
        columns=("Team", "This week", "A week", "At least", "At most", "Hot line", "Crossed in", "Weeks known"),
        rows=tuple(_heading_row(week, line) for line in week.heading),
        none="Unknown.",
        note=f"The {FOLLOWED} fullest. Highest of the days' 95th percentiles; bounds hold the slope with 95 %"
        " confidence. Under 12 weeks a trend is weak: a season cannot be told from it.",
    )


def _heading_row(week: Week, line: HeadingLine) -> tuple[Cell, ...]:
    place, trend = _chart(line.side, week.to_ms), line.trend
    slopes = (trend.slope, trend.low, trend.high) if trend else (math.nan,) * 3
    crossed = trend.weeks if trend and trend.weeks <= MOST_WEEKS else None
    words = "unknown" if trend is None else f"{_weeks(trend.weeks)}{', weak' if trend.weak else ''}"
    return (
        _about(line.side),
        _per_cent(line.even_split / 100, place),
        *(Cell(_points(one), _finite(one), "points a week", place if trend else "") for one in slopes),
        _per_cent(line.crossing / 100),
        Cell(words, crossed, "weeks", place if trend else ""),
        _count(line.known, "weeks"),
    )


def _methods(week: Week) -> Sheet:
    return Sheet(
        key="methods",
        caption="Methods in use",
        columns=("Method", "Far end", "Teams", "What is wrong"),
        rows=tuple(
            (
                Cell(one.method),
                Cell(one.far_end or "unknown"),
                _count(one.teams, "teams"),
                Cell(one.mismatch or "nothing known"),
            )
            for one in week.methods
        ),
        none="No team.",
        note="As teams were told of last, not as of that week; a method that its far end cannot bear comes first.",
    )


def _about(side: Side) -> Cell:
    return Cell(_name(side), place=f"/teams/{side.team_id}")


def _name(side: Side) -> str:
    return f"{side.device} {side.team}, {DIRECTIONS[side.direction]}"


def _chart(side: Side, until_ms: int, zoom: str = "14d") -> str:
    """Where the windows are that a figure is made of."""
    return f"/teams/{side.team_id}?{urlencode({'zoom': zoom, 'until': instant(until_ms)})}"


def _number(value: float, unit: str, place: str = "", digits: int = 1) -> Cell:
    known = _finite(value)
    return Cell("unknown" if known is None else f"{known:.{digits}f} {unit}", known, unit, place)


def _count(value: int | None, unit: str, place: str = "") -> Cell:
    return Cell("unknown" if value is None else str(value), value, unit, place)


def _per_cent(share: float, place: str = "") -> Cell:
    known = _finite(100 * share)
    return Cell("unknown" if known is None else f"{known:.0f} %", known, "%", place)


def _load(load: float) -> str:
    return spoken.percent(load) if math.isfinite(load) else "more than there would be"


def _points(value: float) -> str:
    known = _finite(value)
    return "unknown" if known is None else f"{known:+.2f} points".replace("-", "−")  # noqa: RUF001  # a minus


def _weeks(weeks: float) -> str:
    if weeks > MOST_WEEKS:
        return "not foreseeable"
    return "crossed already" if weeks == 0 else f"about {max(1, round(weeks))} weeks"


def _range(trend: Trend) -> str:
    soonest, latest = (
        str(max(1, round(one))) if one <= MOST_WEEKS else "never" for one in (trend.soonest, trend.latest)
    )
    strength = f"weak: {trend.points} points" if trend.weak else f"{trend.points} points"
    return f"between {soonest} and {latest}; {strength}"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _more(lines: tuple[Line, ...], most: int, note: str) -> str:
    return note if len(lines) <= most else f"{note} The first {most} of {len(lines)}."
