"""Which hours before a change may be compared with those after it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from service.terms import Stretches

WORKING_DAYS = frozenset(range(5))  # Monday to Friday, as datetime.weekday counts
DAY_MS, HOUR_MS = 86_400_000, 3_600_000
MOST_DAYS = 3  # of each class of day
KEPT_DAYS = 14  # as long as windows are kept
LONGEST_MS = 7 * DAY_MS


class Baseline(NamedTuple):
    """The hours before and after that are compared, and the dates on which those before begin, oldest first."""

    before: Stretches
    after: Stretches
    dates: tuple[str, ...]


@dataclass(frozen=True)
class _Week:
    """A time zone, and which days of the week are working days there."""

    zone: ZoneInfo
    working: frozenset[int]

    def is_working(self, at_ms: int) -> bool:
        return self.local(at_ms).weekday() in self.working

    def local(self, at_ms: int) -> datetime:
        return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self.zone)

    def days_before(self, at_ms: int, days: int) -> int:
        """The same time by the clock on the wall, so many days earlier."""
        earlier = (self.local(at_ms).replace(tzinfo=None) - timedelta(days=days)).replace(tzinfo=self.zone)
        return round(earlier.timestamp() * 1000)


def baseline(  # noqa: PLR0913  # each may be stated, all but three have a default
    change_at_ms: int,
    settle_ms: int,
    now_ms: int,
    *,
    after_hours: float | None = None,
    zone: str = "UTC",
    working_days: frozenset[int] = WORKING_DAYS,
    width_ms: int = 30_000,
) -> Baseline:
    """The hours to compare, for a change at a time.

    After is what follows the settle time, up to now or for `after_hours`, at most seven days. Before are the same
    hours by the clock on the wall on the three most recent days of the same class, working or not, of the fourteen
    for which windows are kept: the class of a night is that of the day on which it begins. With `after_hours` those
    are the whole hours from the beginning, however much of the time after has passed. Nothing lies within the settle
    time on either side of the change.

    Examples
    --------
    A change on Thursday at 22:10 whose effect is watched until 06:00: the nights from Monday, Tuesday and Wednesday.

    >>> thursday = round(datetime(2026, 11, 26, 22, 10, tzinfo=UTC).timestamp()) * 1000
    >>> found = baseline(thursday, 300_000, thursday + 8 * HOUR_MS - 600_000)
    >>> found.dates
    ('2026-11-23', '2026-11-24', '2026-11-25')
    >>> [(end - start) // 30_000 for start, end in found.before.spans]
    [930, 930, 930]
    """
    week = _Week(ZoneInfo(zone), working_days)
    first = _up(change_at_ms + settle_ms, width_ms)
    planned = LONGEST_MS if after_hours is None else min(LONGEST_MS, round(after_hours * HOUR_MS))
    reached = max(first, _down(min(now_ms, first + planned), width_ms))
    compared = reached if after_hours is None else first + _down(planned, width_ms)
    latest = _down(change_at_ms - settle_ms, width_ms)
    before = sorted({span for piece in _pieces(first, compared) for span in _alike(piece, first, latest, week)})
    spans = _joined(before)
    return Baseline(
        Stretches(spans),
        Stretches(((first, reached),) if reached > first else ()),
        tuple(week.local(start).strftime("%Y-%m-%d") for start, _ in spans),
    )


def _pieces(first: int, end: int) -> list[tuple[int, int]]:
    """A time in pieces of at most a day."""
    return [(start, min(start + DAY_MS, end)) for start in range(first, end, DAY_MS)]


def _alike(piece: tuple[int, int], first: int, latest: int, week: _Week) -> list[tuple[int, int]]:
    """The same hours on the most recent days of the same class that ended before the change."""
    start, end = piece
    found: list[tuple[int, int]] = []
    days = (start - first) // DAY_MS
    for back in range(days + 1, days + KEPT_DAYS + 1):
        then = week.days_before(start, back)
        span = (then, min(then + end - start, latest))
        if span[1] > span[0] and week.is_working(then) == week.is_working(start):
            found.append(span)
        if len(found) == MOST_DAYS:
            break
    return found


def _joined(spans: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Spans in order, those that overlap made one."""
    joined: list[tuple[int, int]] = []
    for start, end in spans:
        if joined and start < joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple(joined)


def _up(ms: int, width_ms: int) -> int:
    return -(-ms // width_ms) * width_ms


def _down(ms: int, width_ms: int) -> int:
    return ms // width_ms * width_ms
