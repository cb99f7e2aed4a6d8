"""What `lopside check` found as one JSON object, written piece by piece so that long files need no room twice."""

from __future__ import annotations

import itertools
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import orjson

from service.commands.judged import Brought, Judged
from service.commands.readings import Reading
from service.terms import (
    BASIS_WORDS,
    DIRECTIONS,
    FLAG_WORDS,
    KIND_WORDS,
    STATUS_WORDS,
    UNKNOWN,
    WHY_NOT_WORDS,
    DataEvent,
    Finding,
    Intervals,
    MemberWindows,
    PortName,
    Status,
    TeamWindows,
    WhyNot,
    words_of_marks,
)
from service.webhooks.fields import fields_of, instant
from service.webhooks.wording import text_of

Fields = dict[str, Any]

TEAM_FIGURES = ("kind", "evaluable", "even_split", "imbalance", "busiest_share")
MEMBER_FIGURES = ("utilisation", "lower", "upper", "coverage", "basis", "why_not")
# Nothing ends at a port's first sample, and a direction that is not counted has no intervals.
UNTOLD = (Status.NONE, Status.ABSENT)
ROWS_AT_ONCE = 10_000
SINGLE_DIGITS = 7


def write(held: Brought, parts: Iterable[Judged], reading: Reading, out: BinaryIO) -> int:
    """The object, followed by a newline; how many findings it holds.

    Windows are written as they come; intervals wait in a file, because they stand behind all windows.
    """
    count: Counter[str] = Counter()
    findings: list[Fields] = []
    events: list[Fields] = []
    with tempfile.TemporaryFile() as waiting:
        windows, intervals = _List(out), _List(waiting)
        out.write(b'{"settings":' + orjson.dumps(settings_of(held, reading)) + b',"windows":')
        for judged in parts:
            windows.add(windows_of(judged))
            intervals.add(intervals_of(judged))
            findings += map(finding_of, judged.assessment.findings)
            events += map(event_of, judged.assessment.events)
            count.update(counts_of(judged))
        windows.end()
        intervals.end()
        waiting.seek(0)
        out.write(b',"intervals":')
        shutil.copyfileobj(waiting, out)
    rest = {"findings": findings, "events": events, "summary": summary_of(held, count)}
    out.write(b"," + orjson.dumps(rest)[1:] + b"\n")
    return len(findings)


class _List:
    """A JSON list that is written as its items come."""

    def __init__(self, out: BinaryIO) -> None:
        self._out = out
        self._before = b"["

    def add(self, items: Iterable[Fields]) -> None:
        """Write some more items."""
        for item in items:
            self._out.write(self._before + orjson.dumps(item))
            self._before = b",\n"

    def end(self) -> None:
        """Close the list."""
        self._out.write(b"[]" if self._before == b"[" else b"]")


def settings_of(held: Brought, reading: Reading) -> Fields:
    """Under which rule, with which speeds set, and how the files were read."""
    rule = {name: value for name, value in asdict(held.rule).items() if name not in ("set_by", "because")}
    speeds = {f"{device}/{port}": bps for (device, port), bps in held.speeds.items()}
    read = {"zone": reading.zone, "kilo": reading.kilo, "vantage": reading.vantage}
    mapping = {"mapping": asdict(reading.mapping)} if reading.mapping else {}
    return {"files": list(held.files), **read, **mapping, "rule": rule, "speeds": speeds}


def windows_of(judged: Judged) -> Iterator[Fields]:
    """Every window of every team, a direction each, in order of team and time."""
    starts = [instant(start) for start in judged.assessment.teams.span.starts().tolist()]
    for at, team in enumerate(judged.layout.teams):
        teams = _lists(judged.assessment.teams, TEAM_FIGURES, at)
        members = _members_of(judged, at)
        for window, way in itertools.product(range(len(starts)), range(len(DIRECTIONS))):
            told = {name: figures[window][way] for name, figures in teams.items()}
            yield {
                "device": team.device,
                "team": team.team,
                "direction": DIRECTIONS[way],
                "start": starts[window],
                **told,
                "kind": KIND_WORDS[told["kind"]],
                "members": [_member(port, figures, window, way) for port, figures in members],
            }


def _members_of(judged: Judged, at: int) -> list[tuple[str, Fields]]:
    """Each member of a team: its name, and its figures as lists by window and direction."""
    ports = [port for port in judged.layout.members[at].tolist() if port != UNKNOWN]
    windows = judged.assessment.members
    return [
        (judged.layout.ports[port].port, _lists(windows, MEMBER_FIGURES, port) | {"flags": _flags(windows, port)})
        for port in ports
    ]


def _flags(windows: MemberWindows, port: int) -> list[tuple[tuple[str, ...], ...]]:
    """What the marks of a port say, by window and direction."""
    marks, basis = windows.marks[port].tolist(), windows.basis[port].tolist()
    return [
        tuple(words_of_marks(mark, of[way], way) for way in range(len(DIRECTIONS)))
        for mark, of in zip(marks, basis, strict=True)
    ]


def _lists(windows: TeamWindows | MemberWindows, names: Sequence[str], at: int) -> Fields:
    # Lists, because a scalar of an array costs ten times as much as an item of a list. NaN becomes null.
    return {name: _plain(getattr(windows, name)[at]).tolist() for name in names}


def _plain(figures: npt.NDArray[Any]) -> npt.NDArray[Any]:
    # A single 0.8 would else be written as 0.800000011920929.
    return figures.astype(np.float64).round(SINGLE_DIGITS) if figures.dtype == np.float32 else figures


def _member(port: str, figures: Fields, window: int, way: int) -> Fields:
    told = {name: values[window][way] for name, values in figures.items()}
    why_not = told["why_not"]
    return {
        "port": port,
        **told,
        "basis": BASIS_WORDS[told["basis"]],
        "eligible": why_not == WhyNot.ELIGIBLE,
        "why_not": WHY_NOT_WORDS[why_not],
    }


def intervals_of(judged: Judged) -> Iterator[Fields]:
    """What became of every sample after a port's first, a direction each."""
    told = judged.assessment.intervals
    for first in range(0, len(told.port), ROWS_AT_ONCE):
        block = slice(first, first + ROWS_AT_ONCE)
        columns = (told.port, told.start_ms, told.end_ms, told.octets, told.status, told.flags)
        rows = zip(*(column[block].tolist() for column in columns), strict=True)
        for row, (port, start, end, octets, status, flags) in enumerate(rows, start=first):
            common = _common(judged.layout.ports[port], start, end)
            for way in range(len(DIRECTIONS)):
                if status[way] not in UNTOLD:
                    yield common | _interval(way, octets[way], status[way], flags[way]) | _rates(told, row, way)


def _common(port: PortName, start: int, end: int) -> Fields:
    return {
        "device": port.device,
        "port": port.port,
        "start": instant(start),
        "end": instant(end),
        "seconds": (end - start) / 1000,
    }


def _interval(way: int, octets: int, status: int, flags: int) -> Fields:
    return {
        "direction": DIRECTIONS[way],
        "octets": None if octets == UNKNOWN else octets,
        "status": STATUS_WORDS[status],
        "flags": [word for flag, word in FLAG_WORDS.items() if flags & flag] if flags else [],
    }


def _rates(told: Intervals, row: int, way: int) -> Fields:
    """The rates that an ambiguous interval may have had."""
    if told.status[row, way] != Status.AMBIGUOUS:
        return {}
    return {"candidates_bps": [int(rate) for rate in told.candidates_bps.get((row, way), ())]}


def finding_of(finding: Finding) -> Fields:
    """A finding with the text that people would be told of it as it stands."""
    return {**fields_of(finding), "text": text_of(finding, "cleared" if finding.cleared_ms else "raised")}


def event_of(event: DataEvent) -> Fields:
    """Something about the data of a source."""
    return {
        "device": event.device,
        "port": event.port,
        "at": instant(event.at_ms),
        "kind": event.kind,
        "text": event.text,
    }


def counts_of(judged: Judged) -> dict[str, int]:
    """What can be counted of some devices."""
    found, evaluable = judged.assessment, judged.assessment.teams.evaluable
    return {
        "duplicates": found.duplicates,
        "conflicts": found.conflicts,
        "windows": int(evaluable.size),
        "evaluable": int(evaluable.sum()),
        "findings": len(found.findings),
        "open": sum(finding.cleared_ms is None for finding in found.findings),
    }


def summary_of(held: Brought, count: Mapping[str, int]) -> Fields:
    """Counts, what was refused, and what could not be evaluated."""
    return {
        "from": instant(held.span.first_ms),
        "to": instant(held.span.end_ms),
        "samples": held.samples_told(),
        "ports": len(held.layout.ports),
        "teams": len(held.layout.teams),
        **{name: count[name] for name in ("duplicates", "conflicts", "windows", "evaluable", "findings", "open")},
        "rejected": [
            {
                "file": file,
                "line": reject.index,
                "column": reject.column,
                "value": reject.value,
                "reason": reject.reason,
            }
            for file, rejects in held.rejects.items()
            for reject in rejects
        ],
        "not_evaluable": list(held.notes),
    }
