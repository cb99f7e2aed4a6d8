"""What is worth knowing about the data of a source and is no finding: what it is, and what to do.

Some events happen (a restart, a reset) and are told each time. Others last (a refresh slower
than the polls, a doubtful speed) and are told when they begin; they begin anew after an hour
without. What was last noticed is carried from run to run, so that pieces tell what one run would.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from service.rules import narrow, words
from service.rules.event_texts import TEXTS
from service.terms import DataEvent, FactsTable, Flag, Intervals, Ints, Layout, Mark, MemberWindows, Span, Status

ANEW_MS = 3_600_000
IN_A_ROW = 3  # implausible intervals before it is said: one may be a counter read twice

Rows = npt.NDArray[np.intp]
Key = tuple[str, str, str]  # device, port, kind

HAPPENING = {
    Status.RESET: "reset",
    Status.DISCONTINUITY: "discontinuity",
    Status.IDENTITY_CHANGED: "identity-changed",
}


@dataclass(frozen=True)
class Noticed:
    """What the runs before have noticed: when each lasting condition was last seen, and implausible streaks."""

    last_ms: Mapping[Key, int] = field(default_factory=dict)
    streaks: Mapping[int, int] = field(default_factory=dict)  # by 2 * port + direction


@dataclass(frozen=True)
class Around:
    """What other parts of a run found out about its data; empty where they found nothing.

    `refresh_ms` and `offset_ms` by device, `doubtful` ports, `conflicts` as (port, at),
    `silent` as (device, since), `undecided` as ports and instants where packets are missing,
    `misbuilt` by kind as ports and instants where the state of a bundle says so.
    """

    refresh_ms: Mapping[int, int] = field(default_factory=dict)
    offset_ms: Mapping[int, int] = field(default_factory=dict)
    doubtful: Iterable[int] = ()
    conflicts: Iterable[tuple[int, int]] = ()
    silent: Iterable[tuple[int, int]] = ()
    undecided: tuple[Ints, Ints] = field(default_factory=lambda: (np.zeros(0, np.int64), np.zeros(0, np.int64)))
    misbuilt: Mapping[str, tuple[Ints, Ints]] = field(default_factory=dict)


def of(
    intervals: Intervals, facts: FactsTable, layout: Layout, members: MemberWindows, noticed: Noticed
) -> tuple[list[DataEvent], Noticed]:
    """Events that intervals and windows show, in the order of time, and what is noticed after them.

    Of the intervals, those that end in the span of the windows: each is told by one run only.
    """
    intervals = _ending_in(members.span, intervals)
    odd = _picked(intervals, _any((intervals.status != Status.OK) | (intervals.flags != 0)))
    happened = [
        *_restarts(odd, layout),
        *_falls(odd, layout),
        *_clock_steps(odd, layout),
        *_new_speeds(intervals, facts, layout),
        *_narrow(odd, layout),
    ]
    streaks, third = _implausible(intervals, noticed.streaks)
    lasting = {
        "ambiguous": _times(odd, _any(odd.status == Status.AMBIGUOUS)),
        "wraps-soon": _times(intervals, narrow.wraps_soon(intervals, facts)),
        "merged-packets": _times(odd, _any((odd.flags & np.uint16(Flag.MERGED_PACKETS)) != 0)),
        "implausible": third,
        "flap": _flaps(members),
    }
    begun, last = _begun(lasting, layout, noticed.last_ms)
    begun = narrow.with_wrap_times(begun, intervals, facts, layout)
    return sorted([*happened, *begun], key=_order), Noticed(last, streaks)


def around(found: Around, at_ms: int, layout: Layout, noticed: Noticed) -> tuple[list[DataEvent], Noticed]:
    """Events that other parts of the run found; `at_ms` is the instant of what holds for the whole run."""
    events, last = _begun({"packets-missing": found.undecided, **found.misbuilt}, layout, noticed.last_ms)
    for kind, by_device in (("slow-refresh", found.refresh_ms), ("clock-offset", found.offset_ms)):
        for device, value in by_device.items():
            told = f"{TEXTS[kind]} ({'every' if kind == 'slow-refresh' else 'off by'} {value / 1000:g} s)"
            events += _once(last, DataEvent(layout.devices[device], "", at_ms, kind, told))
    for port in found.doubtful:
        events += _once(last, DataEvent(*_names(layout, port), at_ms, "speed-doubtful", TEXTS["speed-doubtful"]))
    events += [DataEvent(*_names(layout, port), at, "conflict", TEXTS["conflict"]) for port, at in found.conflicts]
    events += [
        DataEvent(layout.devices[device], "", since, "silent", TEXTS["silent"]) for device, since in found.silent
    ]
    return sorted(events, key=_order), Noticed(last, noticed.streaks)


def _ending_in(span: Span, intervals: Intervals) -> Intervals:
    here = (intervals.end_ms > span.first_ms) & (intervals.end_ms <= span.end_ms)
    return intervals if here.all() else _picked(intervals, here)


def _picked(intervals: Intervals, rows: npt.NDArray[np.bool_]) -> Intervals:
    """Some intervals, in the columns that are looked at here."""
    columns = ("port", "start_ms", "end_ms", "facts", "facts_before", "status", "flags")
    return replace(intervals, **{name: getattr(intervals, name)[rows] for name in columns})


def _restarts(intervals: Intervals, layout: Layout) -> list[DataEvent]:
    """A restart is the device's: its ports tell it at the same time, and it is told once."""
    rows = np.flatnonzero(_any(intervals.status == Status.RESTART))
    return _of_devices(intervals, layout, rows, "restart")


def _clock_steps(intervals: Intervals, layout: Layout) -> list[DataEvent]:
    rows = np.flatnonzero(_any((intervals.flags & np.uint16(Flag.CLOCK_STEP)) != 0))
    return _of_devices(intervals, layout, rows, "clock-step")


def _of_devices(intervals: Intervals, layout: Layout, rows: Rows, kind: str) -> list[DataEvent]:
    device = layout.device_of_port[intervals.port[rows]]
    told = {(int(d), int(at)) for d, at in zip(device, intervals.end_ms[rows], strict=True)}
    return [DataEvent(layout.devices[d], "", at, kind, TEXTS[kind]) for d, at in sorted(told)]


def _falls(intervals: Intervals, layout: Layout) -> list[DataEvent]:
    return [
        DataEvent(*_names(layout, int(intervals.port[row])), int(intervals.end_ms[row]), kind, TEXTS[kind])
        for status, kind in HAPPENING.items()
        for row in np.flatnonzero(_any(intervals.status == status))
    ]


def _narrow(intervals: Intervals, layout: Layout) -> list[DataEvent]:
    rows = np.flatnonzero(_any((intervals.flags & np.uint16(Flag.NARROW_COUNTER)) != 0))
    kind = "narrow-counter"
    return [
        DataEvent(*_names(layout, int(intervals.port[row])), int(intervals.end_ms[row]), kind, TEXTS[kind])
        for row in rows
    ]


def _new_speeds(intervals: Intervals, facts: FactsTable, layout: Layout) -> list[DataEvent]:
    there = (intervals.facts_before >= 0) & (intervals.facts_before != intervals.facts)
    rows = np.flatnonzero(there)
    old, new = facts.speed_bps[intervals.facts_before[rows]], facts.speed_bps[intervals.facts[rows]]
    events = []
    for row, was, now in zip(rows.tolist(), old.tolist(), new.tolist(), strict=True):
        if was > 0 and now > 0 and was != now:
            text = f"{TEXTS['speed-changed']} (from {words.rate(was)} to {words.rate(now)})"
            where = _names(layout, int(intervals.port[row]))
            events.append(DataEvent(*where, int(intervals.end_ms[row]), "speed-changed", text))
    return events


def _implausible(intervals: Intervals, streaks: Mapping[int, int]) -> tuple[dict[int, int], tuple[Ints, Ints]]:
    """Streaks of implausible intervals by port and direction after these, and where one reached IN_A_ROW."""
    running = dict(streaks)
    ports, times = [], []
    hit = intervals.status == Status.IMPLAUSIBLE
    if not hit.any() and not running:
        return {}, (np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    # Only ports that have something implausible are walked through, so a healthy fleet costs nothing.
    concerned = np.union1d(np.unique(intervals.port[hit.any(axis=1)]), np.array(list(running), dtype=np.int64) // 2)
    for row in np.flatnonzero(np.isin(intervals.port, concerned)).tolist():
        for direction in range(2):
            key = 2 * int(intervals.port[row]) + direction
            running[key] = running.get(key, 0) + 1 if hit[row, direction] else 0
            if running[key] >= IN_A_ROW:
                ports.append(key // 2)
                times.append(int(intervals.end_ms[row]))
    left = {key: count for key, count in running.items() if count}
    return left, (np.array(ports, dtype=np.int64), np.array(times, dtype=np.int64))


def _flaps(members: MemberWindows) -> tuple[Ints, Ints]:
    port, window = np.nonzero((members.marks & np.uint16(Mark.FLAP)) != 0)
    return port.astype(np.int64), members.span.first_ms + window.astype(np.int64) * members.span.width_ms


def _times(intervals: Intervals, where: npt.NDArray[np.bool_]) -> tuple[Ints, Ints]:
    return intervals.port[where].astype(np.int64), intervals.end_ms[where]


def _begun(
    lasting: Mapping[str, tuple[Ints, Ints]], layout: Layout, last_ms: Mapping[Key, int]
) -> tuple[list[DataEvent], dict[Key, int]]:
    """Where lasting conditions began, given when each was last seen."""
    last = dict(last_ms)
    events = []
    for kind, where_and_when in lasting.items():
        order = np.lexsort(where_and_when[::-1])
        ports, times = (column[order] for column in where_and_when)
        first = np.r_[True, ports[1:] != ports[:-1]][: len(ports)]
        anew = np.r_[True, np.diff(times) > ANEW_MS][: len(ports)]
        for at in np.flatnonzero(first | anew).tolist():
            where = _names(layout, int(ports[at]))
            known = last.get((*where, kind))
            if not first[at] or known is None or int(times[at]) - known > ANEW_MS:
                events.append(DataEvent(*where, int(times[at]), kind, TEXTS[kind]))
        for at in np.flatnonzero(np.r_[first[1:], True][: len(ports)]).tolist():
            last[(*_names(layout, int(ports[at])), kind)] = int(times[at])
    return events, last


def _once(last: dict[Key, int], event: DataEvent) -> list[DataEvent]:
    key = (event.device, event.port, event.kind)
    known = last.get(key)
    last[key] = event.at_ms
    return [event] if known is None or event.at_ms - known > ANEW_MS else []


def _any(directions: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    return directions[:, 0] | directions[:, 1]  # any(axis=1) takes ten times as long


def _names(layout: Layout, port: int) -> tuple[str, str]:
    return layout.ports[port].device, layout.ports[port].port


def _order(event: DataEvent) -> tuple[int, str, str, str]:
    return event.at_ms, event.device, event.port, event.kind
