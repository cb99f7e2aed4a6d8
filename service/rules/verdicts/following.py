"""Which hours after a change are compared with its frozen baseline, as they come."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from service.rules.verdicts.baseline import LONGEST_MS, WORKING_DAYS
from service.terms import Stretches

DAY_MS = 86_400_000


def following(
    first_ms: int, length_ms: int, until_ms: int, *, zone: str = "UTC", working_days: frozenset[int] = WORKING_DAYS
) -> Stretches:
    """The hours after a change that are compared, as far as they have come by `until_ms`.

    They begin at `first_ms` and come again at the same time by the clock on the wall on each later day of the same
    class, for seven days.

    Examples
    --------
    A change on Friday at 22:10 that is watched from 22:15 for an hour: the next working night is that of Monday.

    >>> friday = round(datetime(2026, 11, 27, 22, 15, tzinfo=UTC).timestamp()) * 1000
    >>> found = following(friday, 3_600_000, friday + 4 * DAY_MS)
    >>> [(start - friday) // DAY_MS for start, _ in found.spans]
    [0, 3]
    """
    local = datetime.fromtimestamp(first_ms / 1000, UTC).astimezone(ZoneInfo(zone))
    spans = []
    for day in range(LONGEST_MS // DAY_MS):
        then = (local.replace(tzinfo=None) + timedelta(days=day)).replace(tzinfo=ZoneInfo(zone))
        start_ms = round(then.timestamp() * 1000)
        end_ms = min(start_ms + length_ms, until_ms)
        if end_ms > start_ms and (then.weekday() in working_days) == (local.weekday() in working_days):
            spans.append((start_ms, end_ms))
    return Stretches(tuple(spans))


def so_far(before: tuple[tuple[int, int], ...], elapsed_ms: int) -> Stretches:
    """Of the hours before, those that lie as long after their beginning as time has passed since the change.

    Examples
    --------
    >>> so_far(((0, 100), (1000, 1100)), 30).spans
    ((0, 30), (1000, 1030))
    """
    return Stretches(tuple((start, min(end, start + elapsed_ms)) for start, end in before if elapsed_ms > 0))


def since(before: Stretches, from_ms: int) -> tuple[tuple[int, int], ...]:
    """Spans without what lies before an instant, at which something else was changed.

    Examples
    --------
    >>> since(Stretches(((0, 100), (200, 300))), 250)
    ((250, 300),)
    """
    return tuple((max(start, from_ms), end) for start, end in before.spans if end > from_ms)
