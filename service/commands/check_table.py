"""What `lopside check` found as a table for people: what was raised first, then every team, then the data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from service.commands.group import printable
from service.commands.judged import Brought, Judged
from service.numerics.intervals import COARSE_AFTER_WINDOWS
from service.rules.words import counted
from service.terms import DIRECTIONS, UNKNOWN, WHY_NOT_WORDS, DataEvent, Finding, Ints, Mark, Status, WhyNot
from service.webhooks.fields import instant
from service.webhooks.wording import text_of

HEADINGS = ("device", "team", "direction", "peak", "of", "at", "even split", "imbalance", "busiest has", "evaluable")
RIGHT = {"peak", "even split", "imbalance", "busiest has", "evaluable"}


class Row(NamedTuple):
    """One team and direction; figures are those of its peak window, empty where there is none."""

    device: str
    team: str
    direction: str
    peak: str
    of: str
    at: str
    even_split: str
    imbalance: str
    busiest_has: str
    evaluable: str


class Report:
    """What is told of all devices, gathered part by part."""

    def __init__(self, held: Brought) -> None:
        self._held = held
        self._rows: list[Row] = []
        self._unknown: list[str] = []
        self._events: list[DataEvent] = []
        self.findings: list[Finding] = []

    def add(self, judged: Judged) -> None:
        """Take in what came of some devices."""
        self._rows += [_row(judged, at, way) for at in range(len(judged.layout.teams)) for way in range(2)]
        self._unknown += [*_unknown(judged), *_coarse(judged), *_shared(judged)]
        self._events += judged.assessment.events
        self.findings += judged.assessment.findings

    def written(self) -> str:
        """The whole report, ending in a newline."""
        found = sorted(self.findings, key=lambda finding: (finding.raised_ms, finding.id))
        events = sorted(self._events, key=lambda event: event.at_ms)
        blocks = (
            _heading(self._held),
            *(f"{_life(finding)}\n{_indented(text_of(finding, 'raised').splitlines())}" for finding in found),
            _teams(self._held, self._rows, found),
            _titled("About the data:", [_told(event) for event in events]),
            _titled("Not evaluable:", [*self._held.notes, *self._unknown]),
            _verdict(found),
        )
        return "\n\n".join(printable(block) for block in blocks if block) + "\n"


def _heading(held: Brought) -> str:
    span, layout = held.span, held.layout
    return (
        f"{', '.join(held.files)}: {counted(held.samples_told(), 'sample')},"
        f" {counted(len(layout.ports), 'port')}, {counted(len(layout.teams), 'team')}\n"
        f"{clock(span.first_ms)} to {clock(span.end_ms)} UTC, windows of {held.rule.window_seconds} s"
    )


def _life(finding: Finding) -> str:
    end = "still open" if finding.cleared_ms is None else f"cleared {clock(finding.cleared_ms)}"
    return f"{finding.severity}, {finding.kind}: raised {clock(finding.raised_ms)}, {end}"


def _teams(held: Brought, rows: Sequence[Row], found: Sequence[Finding]) -> str:
    if not any(port.team for port in held.layout.ports):
        return "No line names a team: there are no siblings to compare."
    if not rows:
        return ""  # every team is named among what is not evaluable
    raised = {(finding.device, finding.team) for finding in found}
    return _aligned(sorted(rows, key=lambda row: (row.device, row.team) not in raised))


def _row(judged: Judged, at: int, way: int) -> Row:
    teams, team = judged.assessment.teams, judged.layout.teams[at]
    told = teams.utilisation[at, :, way]
    evaluable = f"{int(teams.evaluable[at, :, way].sum())} of {teams.span.count}"
    if np.isnan(told).all():
        return Row(team.device, team.team, DIRECTIONS[way], "", "", "", "", "", "", evaluable)
    peak = int(np.nanargmax(told))
    port = judged.layout.members[at, teams.busiest[at, peak, way]]
    return Row(
        team.device,
        team.team,
        DIRECTIONS[way],
        _percent(told[peak]),
        judged.layout.ports[port].port,
        clock(int(teams.span.starts()[peak])),
        _percent(teams.even_split[at, peak, way]),
        _points(teams.imbalance[at, peak, way]),
        _percent(teams.busiest_share[at, peak, way]),
        evaluable,
    )


def _aligned(rows: Sequence[Row]) -> str:
    cells = [HEADINGS, *rows]
    widths = [max(len(row[column]) for row in cells) for column in range(len(HEADINGS))]
    return "\n".join(_line(row, widths) for row in cells)


def _line(row: Sequence[str], widths: Sequence[int]) -> str:
    told = (
        cell.rjust(width) if heading in RIGHT else cell.ljust(width)
        for cell, width, heading in zip(row, widths, HEADINGS, strict=True)
    )
    return "  ".join(told).rstrip()


def _told(event: DataEvent) -> str:
    port = f" {event.port}" if event.port else ""
    return f"{clock(event.at_ms)}  {event.device}{port}: {event.kind}: {event.text}"


def _titled(title: str, lines: Sequence[str]) -> str:
    return f"{title}\n{_indented(lines)}" if lines else ""


def _unknown(judged: Judged) -> Iterator[str]:
    """Members that nobody knew enough about in some windows, and why."""
    missing = set(WhyNot) - {WhyNot.ELIGIBLE}
    for member, port in _members(judged):
        why = judged.assessment.members.why_not[port]
        told = [f"{_of_windows(why, reason)} {WHY_NOT_WORDS[reason]}" for reason in missing if (why == reason).any()]
        if told:
            yield f"{member}: {', '.join(sorted(told))}"


def _members(judged: Judged) -> Iterator[tuple[str, int]]:
    """Every member as it is told, and its position among the ports."""
    for at, team in enumerate(judged.layout.teams):
        for port in judged.layout.members[at][judged.layout.members[at] != UNKNOWN].tolist():
            yield f"{team.device}, team {team.team}, {judged.layout.ports[port].port}", port


def _coarse(judged: Judged) -> Iterator[str]:
    """Members with readings too far apart to say anything of a window: there is data, but none for windows."""
    intervals = judged.assessment.intervals
    long = (intervals.status == Status.COARSE).any(axis=1)
    gaps: Ints = np.bincount(intervals.port[long], minlength=len(judged.layout.ports))
    most_s = COARSE_AFTER_WINDOWS * judged.assessment.members.span.width_ms // 1000
    for member, port in _members(judged):
        if gaps[port]:
            told = counted(int(gaps[port]), "time")
            yield f"{member}: {told} more than {most_s} s between readings, too far apart for windows"


def _shared(judged: Judged) -> Iterator[str]:
    """Teams of half duplex, whose two directions are one figure and told as one."""
    marks = judged.assessment.members.marks
    for at, team in enumerate(judged.layout.teams):
        ports = [port for port in judged.layout.members[at] if port != UNKNOWN]
        if (marks[ports] & Mark.SHARED).any(axis=1).all():
            yield (
                f"{team.device}, team {team.team}, ingress: half duplex, both directions together are told as egress"
            )


def _of_windows(why: np.ndarray[tuple[int, int], np.dtype[np.uint8]], reason: WhyNot) -> str:
    return counted(int((why == reason).any(axis=1).sum()), "window")


def _verdict(found: Sequence[Finding]) -> str:
    if not found:
        return "Nothing was raised."
    still = sum(finding.cleared_ms is None for finding in found)
    return f"{counted(len(found), 'finding')} raised, {still} still open at the end. Advice only."


def _indented(lines: Iterable[str]) -> str:
    return "\n".join(f"  {line}" for line in lines)


def clock(ms: int) -> str:
    """An instant to the second, in UTC."""
    return (instant(ms // 1000 * 1000) or "").replace("T", " ").removesuffix("Z")


def _percent(share: float) -> str:
    return "" if np.isnan(share) else f"{100 * share:.1f} %"


def _points(share: float) -> str:
    return "" if np.isnan(share) else f"{100 * share:.1f} points"
