"""Counter files judged offline: read, put together, run through the same rules as live samples."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from service.commands.layouts import layout_of
from service.commands.readings import Reading
from service.errors import UnusableInput
from service.feeds import counter_file
from service.feeds.joining import joined
from service.rules.assess import Assessment, Run, assess
from service.terms import Layout, Parsed, Reject, Rule, Samples, Span

Progress = Callable[[str, int, int], None]

# A single unreadable clock would otherwise make a span of decades, all of it empty.
LONGEST_DAYS = 400
DAY_MS = 86_400_000


@dataclass(frozen=True)
class Judged:
    """What files held and what came of it; `rejects` by file, `notes` say what could not be evaluated and why."""

    files: tuple[str, ...]
    parsed: Parsed
    layout: Layout
    rule: Rule
    assessment: Assessment
    rejects: Mapping[str, tuple[Reject, ...]]
    notes: tuple[str, ...]

    def rejects_told(self) -> tuple[str, ...]:
        """What could not be used, a line each: which file, which line, why."""
        return tuple(
            f"{file}, line {reject.index}: {reject.reason}" for file, some in self.rejects.items() for reject in some
        )


def judge(files: Sequence[Path], rule: Rule, reading: Reading, progress: Progress | None = None) -> Judged:
    """Read the files and judge them as one stretch of data; UnusableInput where nothing in them can be used."""
    read = {str(file): _read(file, reading, progress) for file in files}
    parsed = joined(read.values())
    layout, notes = layout_of(parsed.ports)
    if not len(parsed.samples):
        raise UnusableInput(", ".join(read), "not one line could be used", _first_reject(read))
    span = span_of(parsed.samples, rule.window_seconds * 1000)
    run = Run(
        samples=parsed.samples,
        facts=parsed.facts,
        layout=layout,
        rules=(rule,) * len(layout.teams),
        span=span,
        life=None,
        open={},
        now_ms=span.end_ms,
    )
    rejects = {name: one.rejects for name, one in read.items() if one.rejects}
    return Judged(tuple(read), parsed, layout, rule, assess(run), rejects, notes)


def span_of(samples: Samples, width_ms: int) -> Span:
    """The whole windows, aligned to the epoch, that hold every sample."""
    times = np.concatenate([samples.at_ms, samples.received_ms[samples.received_ms >= 0]])
    first, last = int(times.min()), int(times.max())
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
            progress(file.name, done, whole)

    return counter_file.read(file, zone=reading.zone, kilo=reading.kilo, progress=advance)


def _first_reject(read: Mapping[str, Parsed]) -> str:
    for name, parsed in read.items():
        for reject in parsed.rejects:
            return f"first: {name}, line {reject.index}: {reject.reason}"
    return "a header row must be followed by lines of values"


def _day(ms: int) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).strftime("%Y-%m-%d")
