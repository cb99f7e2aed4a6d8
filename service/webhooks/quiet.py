"""Quiet times: maintenance that is announced, while which messages wait and measuring goes on.

Recurrence as in RFC 5545 (RRULE of sections 3.3.10 and 3.8.5.3), on the clock of a named zone: a time that the clock
leaps over is read by the offset before the leap, and one that it shows twice is the first of both (section 3.3.5).
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Sequence
from datetime import MAXYEAR, UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from dateutil.rrule import rrule, rrulestr

from service.errors import WrongQuestion
from service.terms import QuietTime
from service.webhooks.patterns import matches

MINUTE_MS = 60_000
MOST_MINUTES = 7 * 24 * 60
LEAST_GAP = timedelta(hours=1)  # between two; what never ends would hide everything for ever
LOOKED_AT = 500  # occurrences, of which none may run into the next
CYCLE_YEARS = 400  # after which days of the week and leap years fall alike again
MOST_LETTERS = 200
FREQUENCIES = ("YEARLY", "MONTHLY", "WEEKLY", "DAILY")


def check(quiet: QuietTime) -> QuietTime:
    """The same, or WrongQuestion naming what cannot be."""
    if not (quiet.devices or quiet.teams or quiet.sites):
        raise WrongQuestion("devices", "say whom it is about: devices, teams or sites, * for all")
    if not quiet.because.strip():
        raise WrongQuestion("because", "say why, as people will ask")
    if not 1 <= quiet.minutes <= MOST_MINUTES:
        raise WrongQuestion("minutes", f"lies between 1 and {MOST_MINUTES} (7 days)")
    _zone(quiet.zone)
    if quiet.recurrence:
        _check_recurrence(quiet)
    return quiet


def holds_until(times: Iterable[QuietTime], name: tuple[str, str], sites: Collection[str], now_ms: int) -> int | None:
    """Until when messages about a team (device, team) wait; None where they do not."""
    ends = [end for quiet in times if _is_about(quiet, name, sites) and (end := until(quiet, now_ms)) is not None]
    return max(ends, default=None)


def until(quiet: QuietTime, now_ms: int) -> int | None:
    """When the quiet time ends in which `now_ms` lies, its beginning counted in; None where it lies in none."""
    if quiet.ended_ms is not None and now_ms >= quiet.ended_ms:
        return None
    lasts_ms = quiet.minutes * MINUTE_MS
    for start_ms in _last_begun(quiet, now_ms):
        if start_ms <= now_ms < start_ms + lasts_ms:
            return start_ms + lasts_ms
    return None


def upcoming(quiet: QuietTime, now_ms: int) -> int | None:
    """When it begins next, the one that lasts now left aside; None where it never does again."""
    if quiet.ended_ms is not None:
        return None
    zone = ZoneInfo(quiet.zone)
    after = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone)
    if not quiet.recurrence:
        first_ms = _instant_ms(quiet.begins.replace(tzinfo=zone))
        return first_ms if first_ms > now_ms else None
    found = _rule(quiet.recurrence, quiet.begins, quiet.zone).after(after)
    return None if found is None else _instant_ms(found)


def _last_begun(quiet: QuietTime, now_ms: int) -> list[int]:
    """The last two beginnings by the clock at `now_ms`: where a clock is put back, the later may lie ahead."""
    zone = ZoneInfo(quiet.zone)
    if not quiet.recurrence:
        return [_instant_ms(quiet.begins.replace(tzinfo=zone))]
    rule = _rule(quiet.recurrence, quiet.begins, quiet.zone)
    at = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone)
    found: list[int] = []
    for _ in range(2):
        last = rule.before(at, inc=not found)
        if last is None:
            break
        found.append(_instant_ms(last))
        at = last
    return found


def _instant_ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)


@lru_cache(maxsize=512)
def _rule(recurrence: str, begins: datetime, zone: str) -> rrule:
    rule: rrule = rrulestr(f"RRULE:{recurrence}", dtstart=begins.replace(tzinfo=ZoneInfo(zone)), cache=True)
    return rule


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise WrongQuestion("zone", f"{name!r} is no time zone; write it like UTC or Europe/Lisbon") from None


def _check_recurrence(quiet: QuietTime) -> None:
    words = _parts(quiet.recurrence)
    if words.get("FREQ") not in FREQUENCIES:
        raise WrongQuestion("recurrence", f"FREQ is one of {', '.join(FREQUENCIES)}, as in FREQ=WEEKLY;BYDAY=TU")
    if {"BYHOUR", "BYMINUTE", "BYSECOND"} & words.keys():
        raise WrongQuestion("recurrence", "the time of day is that of the beginning; leave BYHOUR and the like out")
    if {"COUNT", "UNTIL"} <= words.keys():
        raise WrongQuestion("recurrence", "a rule has COUNT or UNTIL and not both (RFC 5545, section 3.3.10)")
    try:
        starts = _first_starts(quiet)
    except (ValueError, TypeError, KeyError, OverflowError) as wrong:
        raise WrongQuestion("recurrence", f"RFC 5545 knows no such rule: {wrong}") from None
    if not starts:
        raise WrongQuestion("recurrence", "no day is ever like that")
    _refuse_endless(starts, timedelta(minutes=quiet.minutes))


def _first_starts(quiet: QuietTime) -> list[datetime]:
    """The first beginnings.

    Whether a day is ever like that is found out at the end of the calendar, or a search would go through 8,000 years.
    """
    ahead = (MAXYEAR - quiet.begins.year) // CYCLE_YEARS * CYCLE_YEARS
    late = _rule(quiet.recurrence, quiet.begins.replace(year=quiet.begins.year + ahead), quiet.zone)
    many = sum(1 for _ in itertools.islice(late.replace(count=None, until=None), LOOKED_AT))
    return list(itertools.islice(_rule(quiet.recurrence, quiet.begins, quiet.zone), many))


def _refuse_endless(starts: Sequence[datetime], lasts: timedelta) -> None:
    for one, following in itertools.pairwise(starts):
        if (following.astimezone(UTC) - one.astimezone(UTC)) < lasts + LEAST_GAP:
            raise WrongQuestion("minutes", "an hour at least must lie between the end of one and the next beginning")


def _parts(recurrence: str) -> dict[str, str]:
    if len(recurrence) > MOST_LETTERS or not recurrence.isascii() or "\n" in recurrence or "\r" in recurrence:
        raise WrongQuestion("recurrence", f"a rule has at most {MOST_LETTERS} ASCII letters in one line")
    return {key.upper(): value.upper() for key, _, value in (part.partition("=") for part in recurrence.split(";"))}


def _is_about(quiet: QuietTime, name: tuple[str, str], sites: Collection[str]) -> bool:
    device, team = name
    at_site = not quiet.sites or any(matches(site, quiet.sites) for site in sites if site)
    return matches(device, quiet.devices) and matches(team, quiet.teams) and at_site
