"""What is to be evaluated: which teams, from which window to which."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection

from service.storage import arrivals, inventory, samples, watch
from service.storage.watch import Watched
from service.terms import UNKNOWN, Codes, Finding, Ints, Layout, Rule, Span

HOUR_MS = 3_600_000
# Later than this a sample still corrects windows and roll-ups, but no finding any more.
RESTATED_MS = 24 * HOUR_MS
# A device that has said nothing for so long gets no more windows without data.
GONE_MS = 48 * HOUR_MS
TEAMS_AT_ONCE = 500
TEAM_WINDOWS_AT_ONCE = 60_000  # some 100 MB of samples every 10 s
WINDOWS_AT_ONCE = 720


def _as_claimed(_device: str, _port: str) -> int:
    return 0


@dataclass(frozen=True)
class Policy:
    """What the settings decide of evaluation: rules by device and team, lateness by feed, the width of a window.

    `speed_of` gives the speed in bit/s that an operator set for a device and port, 0 where nobody did. In `zone` days
    begin and end, and `working_days` (0 is Monday) are those that are compared with each other.
    """

    rules_for: Callable[[str, str], Rule]
    lateness_ms: Mapping[str, int] = field(default_factory=lambda: {"push": 90_000, "csv": 90_000})
    width_ms: int = 30_000
    speed_of: Callable[[str, str], int] = _as_claimed
    zone: str = "UTC"
    working_days: frozenset[int] = frozenset(range(5))

    def speeds(self, layout: Layout) -> Ints:
        """The speeds that an operator set, by the layout's ports, 0 where nobody did."""
        return np.array([self.speed_of(port.device, port.port) for port in layout.ports], dtype=np.int64)

    def waits_ms(self, feed: str) -> int:
        """How long a window of such a feed waits after its end; a polled one where the settings don't tell."""
        return self.lateness_ms.get(feed, 15_000)


class Errand(NamedTuple):
    """Teams whose windows from `start_ms` to `end_ms` are due; late where some of them were decided before."""

    team_ids: Codes
    start_ms: int
    end_ms: int
    decided_ms: int

    @property
    def is_late(self) -> bool:
        """Whether windows are decided anew."""
        return self.start_ms < self.decided_ms

    def parted(self, width_ms: int) -> tuple[Errand | None, Errand]:
        """What of a late errand is too old to change findings, and the rest."""
        limit_ms = _floor(self.decided_ms - RESTATED_MS, width_ms)
        if self.start_ms >= limit_ms:
            return None, self
        return self._replace(end_ms=limit_ms), self._replace(start_ms=limit_ms)

    def pieces(self, width_ms: int) -> Iterator[Span]:
        """The windows of the errand, so many at a time."""
        step = WINDOWS_AT_ONCE * width_ms
        for first in range(self.start_ms, self.end_ms, step):
            yield Span(first, (min(first + step, self.end_ms) - first) // width_ms, width_ms)


@dataclass(frozen=True)
class Plan:
    """Errands, the arrivals that are settled once they are done, and the teams that have no members any more."""

    errands: tuple[Errand, ...]
    settled: tuple[int, ...]
    emptied: tuple[int, ...] = ()


def drawn_up(connection: Connection, policy: Policy, now_ms: int, reached_ms: Mapping[int, int]) -> Plan:
    """What is due now. Teams never seen before are noted as decided up to their first window.

    A team whose members have all gone to others has nothing to judge; time goes on for it nevertheless.
    `reached_ms` says of teams, as far as that is remembered, by when all members were read after what was decided.
    """
    pending = arrivals.pending(connection)
    oldest = _oldest(pending)
    watched = watch.watched(connection)
    begun = _begun(connection, watched, oldest, policy.width_ms)
    starts = _starts(connection, _suspects(begun, oldest, policy.width_ms, reached_ms), oldest, policy.width_ms)
    emptied = watch.emptied(connection)
    due: dict[tuple[int, int, int], list[int]] = {}
    for team in begun:
        # What was decided stays decided, also where this clock runs behind that of whoever decided it.
        end_ms = max(_floor(now_ms - policy.waits_ms(team.feed), policy.width_ms), team.decided_ms or 0)
        start_ms = starts.get(team.id, team.decided_ms or 0)
        if team.id in emptied:
            inventory.note_decided(connection, [team.id], end_ms)
        elif start_ms < end_ms and (team.id in oldest or not _is_gone(team)):
            due.setdefault((start_ms, end_ms, team.decided_ms or 0), []).append(team.id)
    errands = [
        Errand(ids, start_ms, end_ms, decided_ms)
        for (start_ms, end_ms, decided_ms), teams in sorted(due.items())
        for ids in _sliced(teams, (end_ms - start_ms) // policy.width_ms)
    ]
    return Plan(tuple(errands), tuple(arrival.id for arrival in pending), tuple(sorted(emptied)))


def _oldest(pending: Sequence[arrivals.Arrival]) -> dict[int, int]:
    """By team, the oldest sample that has arrived since it was last evaluated."""
    oldest: dict[int, int] = {}
    for arrival in pending:
        for team_id, from_ms in zip(arrival.team_ids.tolist(), arrival.from_ms.tolist(), strict=True):
            oldest[team_id] = min(from_ms, oldest.get(team_id, from_ms))
    return oldest


def _begun(
    connection: Connection, watched: Iterable[Watched], oldest: Mapping[int, int], width_ms: int
) -> list[Watched]:
    begun = []
    for team in watched:
        if team.decided_ms is not None:
            begun.append(team)
        elif team.id in oldest:
            first_ms = _floor(oldest[team.id], width_ms)
            inventory.note_decided(connection, [team.id], first_ms)
            begun.append(team._replace(decided_ms=first_ms))
    return begun


def _suspects(
    teams: Sequence[Watched], oldest: Mapping[int, int], width_ms: int, reached_ms: Mapping[int, int]
) -> dict[int, int]:
    """Until when they are decided, of teams with news that may bear on decided windows.

    News after every member was read again bear on no decided window: that much spares asking for each port.
    """
    suspects: dict[int, int] = {}
    for team in teams:
        decided_ms, news_ms = team.decided_ms or 0, oldest.get(team.id)
        if news_ms is None or _floor(news_ms - 2 * width_ms, width_ms) >= decided_ms:
            continue
        if not decided_ms <= reached_ms.get(team.id, UNKNOWN) < news_ms:
            suspects[team.id] = decided_ms
    return suspects


def _starts(
    connection: Connection, decided: Mapping[int, int], oldest: Mapping[int, int], width_ms: int
) -> dict[int, int]:
    """By team, the first window to be decided anew, where samples are older than what was decided."""
    if not decided:
        return {}
    touched = _touched(connection, sorted(decided), oldest, 2 * width_ms)
    late = {t: _floor(at_ms, width_ms) for t, at_ms in touched.items() if _floor(at_ms, width_ms) < decided[t]}
    return _back_to_their_raise(connection, late, decided, width_ms)


def _touched(
    connection: Connection, team_ids: Sequence[int], oldest: Mapping[int, int], reach_ms: int
) -> dict[int, int]:
    """By team, where the first interval begins that a new sample ended or cut in two.

    An interval longer than `reach_ms` feeds no window, so no sample before that matters.
    """
    placed = inventory.layout(connection, team_ids)
    touched = {team_id: oldest[team_id] for team_id in team_ids}
    team_of_port = placed.team_ids[placed.layout.team_of_port()]
    before = np.array([oldest[team_id] for team_id in team_of_port.tolist()], dtype=np.int64)
    if len(before):
        found = samples.last_before(connection, placed.port_ids, before, not_before_ms=int(before.min()) - reach_ms)
        for port, at_ms in zip(found.port.tolist(), found.at_ms.tolist(), strict=True):
            team_id = int(team_of_port[port])
            if at_ms >= oldest[team_id] - reach_ms:
                touched[team_id] = min(touched[team_id], at_ms)
    return touched


def _back_to_their_raise(
    connection: Connection, late: dict[int, int], decided: Mapping[int, int], width_ms: int
) -> dict[int, int]:
    """The same, moved back to where the findings began that were open then: they are found anew, not patched."""
    if not late:
        return {}
    limits = {team_id: decided[team_id] - RESTATED_MS for team_id in late}
    about: dict[int, list[Finding]] = {team_id: [] for team_id in late}
    for one in watch.alive(connection, sorted(late), min(limits.values()), max(late.values())):
        if one.finding.since_ms > limits[one.team_id]:
            about[one.team_id].append(one.finding)
    return {team_id: _begun_by(start_ms, about[team_id], width_ms) for team_id, start_ms in late.items()}


def _begun_by(start_ms: int, findings: Sequence[Finding], width_ms: int) -> int:
    """The latest window up to `start_ms` in which none of the findings was open."""
    while True:
        open_then = [
            f for f in findings if f.raised_ms <= start_ms and (f.cleared_ms is None or f.cleared_ms > start_ms)
        ]
        earlier_ms = min((_floor(f.since_ms, width_ms) for f in open_then), default=start_ms)
        if earlier_ms >= start_ms:
            return start_ms
        start_ms = earlier_ms


def _is_gone(team: Watched) -> bool:
    return team.last_sample_ms is None or (team.decided_ms or 0) > team.last_sample_ms + GONE_MS


def _sliced(team_ids: Sequence[int], windows: int) -> Iterator[Codes]:
    """Teams so many at a time that what is read of them stays small: fewer where there are many windows to catch up."""
    step = max(1, min(TEAMS_AT_ONCE, TEAM_WINDOWS_AT_ONCE // max(1, windows)))
    for first in range(0, len(team_ids), step):
        yield np.array(team_ids[first : first + step], dtype=np.int32)


def _floor(at_ms: int, width_ms: int) -> int:
    return at_ms // width_ms * width_ms
