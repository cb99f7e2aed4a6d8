"""What `lopside check` found as one JSON object, written piece by piece so that long files need no room twice."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any, BinaryIO

import orjson

from service.commands.judged import Judged
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
    Status,
)
from service.webhooks.fields import fields_of, instant
from service.webhooks.wording import text_of

Fields = dict[str, Any]


def write(judged: Judged, reading: Reading, out: BinaryIO) -> None:
    """The object, followed by a newline."""
    out.write(b'{"settings":' + _json(settings_of(judged, reading)))
    for name, items in (
        ("windows", windows_of(judged)),
        ("intervals", intervals_of(judged)),
        ("findings", (finding_of(finding) for finding in judged.assessment.findings)),
        ("events", (event_of(event) for event in judged.assessment.events)),
    ):
        out.write(b',"' + name.encode() + b'":[')
        for number, item in enumerate(items):
            out.write(b",\n" + _json(item) if number else _json(item))
        out.write(b"]")
    out.write(b',"summary":' + _json(summary_of(judged)) + b"}\n")


def settings_of(judged: Judged, reading: Reading) -> Fields:
    """Under which rule, and how, the files were read."""
    rule = {name: value for name, value in asdict(judged.rule).items() if name not in ("set_by", "because")}
    return {"files": list(judged.files), "zone": reading.zone, "kilo": reading.kilo, "rule": rule}


def windows_of(judged: Judged) -> Iterator[Fields]:
    """Every window of every team, a direction each, in order of team and time."""
    teams, layout = judged.assessment.teams, judged.layout
    starts = [instant(int(start)) for start in teams.span.starts()]
    for at, team in enumerate(layout.teams):
        members = [int(port) for port in layout.members[at] if port != UNKNOWN]
        for window, start in enumerate(starts):
            for way, direction in enumerate(DIRECTIONS):
                here = (at, window, way)
                yield {
                    "device": team.device,
                    "team": team.team,
                    "direction": direction,
                    "start": start,
                    "kind": KIND_WORDS[teams.kind[here]],
                    "evaluable": bool(teams.evaluable[here]),
                    "even_split": _share(teams.even_split[here]),
                    "imbalance": _share(teams.imbalance[here]),
                    "busiest_share": _share(teams.busiest_share[here]),
                    "members": [_member(judged, port, window, way) for port in members],
                }


def _member(judged: Judged, port: int, window: int, way: int) -> Fields:
    members, here = judged.assessment.members, (port, window, way)
    why_not = int(members.why_not[here])
    return {
        "port": judged.layout.ports[port].port,
        "utilisation": _share(members.utilisation[here]),
        "lower": _share(members.lower[here]),
        "upper": _share(members.upper[here]),
        "coverage": _share(members.coverage[here]),
        "basis": BASIS_WORDS[members.basis[here]],
        "eligible": why_not == 0,
        "why_not": WHY_NOT_WORDS[why_not],
    }


def intervals_of(judged: Judged) -> Iterator[Fields]:
    """What became of every sample after a port's first, a direction each."""
    intervals = judged.assessment.intervals
    for row in range(len(intervals.port)):
        for way in range(len(DIRECTIONS)):
            if intervals.status[row, way] not in (Status.NONE, Status.ABSENT):
                yield _interval(judged, intervals, row, way)


def _interval(judged: Judged, intervals: Intervals, row: int, way: int) -> Fields:
    port = judged.layout.ports[intervals.port[row]]
    start, end = int(intervals.start_ms[row]), int(intervals.end_ms[row])
    octets = int(intervals.octets[row, way])
    flags = int(intervals.flags[row, way])
    told: Fields = {
        "device": port.device,
        "port": port.port,
        "direction": DIRECTIONS[way],
        "start": instant(start),
        "end": instant(end),
        "octets": None if octets == UNKNOWN else octets,
        "seconds": (end - start) / 1000,
        "status": STATUS_WORDS[intervals.status[row, way]],
        "flags": [word for flag, word in FLAG_WORDS.items() if flags & flag],
    }
    if intervals.status[row, way] == Status.AMBIGUOUS:
        told["candidates_bps"] = [int(rate) for rate in intervals.candidates_bps.get((row, way), ())]
    return told


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


def summary_of(judged: Judged) -> Fields:
    """Counts, what was refused, and what could not be evaluated."""
    found, teams = judged.assessment, judged.assessment.teams
    return {
        "from": instant(teams.span.first_ms),
        "to": instant(teams.span.end_ms),
        "samples": len(judged.parsed.samples),
        "duplicates": found.duplicates,
        "conflicts": found.conflicts,
        "ports": len(judged.layout.ports),
        "teams": len(judged.layout.teams),
        "windows": int(teams.evaluable.size),
        "evaluable": int(teams.evaluable.sum()),
        "findings": len(found.findings),
        "open": sum(finding.cleared_ms is None for finding in found.findings),
        "rejected": [
            {
                "file": file,
                "line": reject.index,
                "column": reject.column,
                "value": reject.value,
                "reason": reject.reason,
            }
            for file, rejects in judged.rejects.items()
            for reject in rejects
        ],
        "not_evaluable": list(judged.notes),
    }


def _share(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _json(told: Fields) -> bytes:
    return orjson.dumps(told)
