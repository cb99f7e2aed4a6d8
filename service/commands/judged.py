"""Counter files judged offline: read, put together, run through the rules of live samples, some devices at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType

import numpy as np

from service.commands.readings import Reading
from service.errors import UnusableInput
from service.feeds.joining import joined
from service.rules.assess import Assessment, Run, assess
from service.rules.diagnoses.assessed import with_explanations
from service.rules.layouts import layout_of
from service.rules.parts import Part, parts_of
from service.rules.reaching import bounds_ms
from service.terms import UNKNOWN, Layout, Parsed, PortName, Reject, Rule, Samples, Span

Progress = Callable[[str, int, int], None]

# A single clock that was not set would otherwise make a span of decades, all of it empty.
LONGEST_DAYS = 400
DAY_MS = 86_400_000


@dataclass(frozen=True)
class Brought:
    """What files held; `rejects` by file, `notes` say what cannot be evaluated and why.

    `speeds` are those set for this run, in bit/s by device and port.
    """

    files: tuple[str, ...]
    parsed: Parsed
    layout: Layout
    span: Span
    rule: Rule
    rejects: Mapping[str, tuple[Reject, ...]]
    notes: tuple[str, ...]
    speeds: Mapping[tuple[str, str], int]

    def samples_told(self) -> int:
        """How many samples the files hold; what only marks where an interval begins is none."""
        return int((self.parsed.index != UNKNOWN).sum())

    def rejects_told(self) -> tuple[str, ...]:
        """What could not be used, a line each: which file, which line, why."""
        return tuple(
            f"{file}, line {reject.index}: {reject.reason}" for file, some in self.rejects.items() for reject in some
        )


@dataclass(frozen=True)
class Judged:
    """What came of some devices: their own layout, and positions in it."""

    layout: Layout
    assessment: Assessment


def brought(
    files: Sequence[Path],
    rule: Rule,
    reading: Reading,
    progress: Progress | None = None,
    speeds: Mapping[str, int] = MappingProxyType({}),
) -> Brought:
    """Read the files as one stretch of data; UnusableInput where nothing in them can be used.

    `speeds` are set for this run, in bit/s by "device/port".
    """
    read = {str(file): _read(file, reading, progress) for file in files}
    rejects = {name: one.rejects for name, one in read.items() if one.rejects}
    parsed = joined(read.values())
    if not len(parsed.samples):
        raise UnusableInput(", ".join(read), "not one line could be used", _first(rejects))
    layout, notes = layout_of(parsed.ports)
    span = span_of(parsed.samples, rule.window_seconds * 1000)
    set_for = _by_port(speeds, parsed.ports)
    return Brought(tuple(read), parsed, layout, span, rule, rejects, notes, set_for)


def judged(held: Brought, progress: Progress | None = None) -> Iterator[Judged]:
    """Judge the devices in their order, as many at a time as memory likes; devices know nothing of each other."""
    done = 0
    for part in parts_of(held.parsed.samples, held.layout, held.span):
        yield _judged(held, part)
        done += len(part.layout.devices)
        if progress:
            progress("judging", done, len(held.layout.devices))


def _judged(held: Brought, part: Part) -> Judged:
    run = Run(
        samples=part.samples,
        facts=held.parsed.facts,
        layout=part.layout,
        rules=(held.rule,) * len(part.layout.teams),
        span=held.span,
        now_ms=int(held.parsed.samples.at_ms.max()),
        speeds=np.array([held.speeds.get((p.device, p.port), 0) for p in part.layout.ports], dtype=np.int64),
    )
    return Judged(part.layout, with_explanations(assess(run), part.layout, run.rules))


def _by_port(speeds: Mapping[str, int], ports: Sequence[PortName]) -> dict[tuple[str, str], int]:
    """Speeds by device and port, given by "device/port": either name may hold a stroke, so the ports tell which."""
    meant: dict[str, list[tuple[str, str]]] = {}
    for port in ports if speeds else ():
        meant.setdefault(f"{port.device}/{port.port}", []).append((port.device, port.port))
    for name in speeds:
        if len(meant.get(name, ())) != 1:
            why = "more than one port can be meant" if name in meant else "no sample is of this port"
            raise UnusableInput(f"--speed {name}", why, "write device and port as the files do, as sm-07/m1")
    return {meant[name][0]: bps for name, bps in speeds.items()}


def span_of(samples: Samples, width_ms: int) -> Span:
    """The whole windows, aligned to the epoch, that hold every sample."""
    first, last = bounds_ms(samples)
    if last - first > LONGEST_DAYS * DAY_MS:
        raise UnusableInput(
            "time",
            f"the samples lie between {_day(first)} and {_day(last)}, more than {LONGEST_DAYS} days",
            "take out lines of a clock that was not set, or check the stretches one by one",
        )
    start = first // width_ms * width_ms
    return Span(start, max(1, -(-(last - start) // width_ms)), width_ms)


def _read(file: Path, reading: Reading, progress: Progress | None) -> Parsed:
    def advance(done: int, whole: int) -> None:
        if progress:
            progress(f"reading {file.name}", done, whole)

    return reading.whole(file, advance)


def _first(rejects: Mapping[str, Sequence[Reject]]) -> str:
    for name, some in rejects.items():
        return f"first: {name}, line {some[0].index}: {some[0].reason}"
    return "a header row must be followed by lines of values"


def _day(ms: int) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).strftime("%Y-%m-%d")
