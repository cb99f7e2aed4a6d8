"""What is found in a story, by the road that all samples take; and what its other numbers come to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from service.charts import drawing
from service.charts.plots import Line, Plot
from service.pages.spoken import per_cent, rate
from service.pages.story_samples import EPOCH_MS, SECOND, WINDOW_S, Part, facts_of, samples_of
from service.rules.assess import Assessment, Run, assess
from service.rules.diagnoses.assessed import with_explanations
from service.terms import (
    DIRECTIONS,
    KIND_WORDS,
    STATUS_WORDS,
    WHY_NOT_WORDS,
    Flag,
    MemberWindows,
    Rule,
    Span,
    Status,
    Truths,
)
from service.webhooks.wording import text_of

Cells = tuple[str, ...]
WAYS = ("out", "in")


@dataclass(frozen=True)
class Table:
    """A table as it is shown."""

    caption: str
    columns: Cells
    rows: tuple[Cells, ...]


@dataclass(frozen=True)
class Windows:
    """The windows of a direction as a table and as a drawing of the same figures."""

    table: Table
    drawing: Markup


@dataclass(frozen=True)
class Found:
    """What was planted and what came of it, in words and tables."""

    title: str
    planted: Table
    windows: tuple[Windows, ...]
    findings: tuple[str, ...]
    events: tuple[str, ...]
    statuses: tuple[str, ...]


def found(part: Part) -> Found:
    """Assess a part, and tell all of it."""
    layout, rules = part.layout, (Rule(),)
    assessment = assess(
        Run(
            samples=samples_of(part.rows),
            facts=facts_of(part),
            layout=layout,
            rules=rules,
            span=Span(EPOCH_MS, part.windows),
            now_ms=max(row["at_ms"] for row in part.rows),
            broken=part.broken,
        )
    )
    told = with_explanations(assessment, layout, rules)
    ports = [port.port for port in layout.ports]
    return Found(
        title=part.title,
        planted=_planted(part, ports),
        windows=tuple(Windows(_windows(told, way, ports), _drawing(told, way, ports)) for way in _ways(part)),
        findings=tuple(text_of(one, "raised" if one.cleared_ms is None else "cleared") for one in told.findings),
        events=tuple(f"{event.port or event.device}: {event.text}" for event in told.events),
        statuses=_statuses(told, part, ports),
    )


def _ways(part: Part) -> list[int]:
    return [way for way, name in enumerate(WAYS) if any(f"{name}_octets" in row for row in part.rows)]


def _planted(part: Part, ports: list[str]) -> Table:
    """The samples, in the order in which they came."""
    names = list(dict.fromkeys(name for row in part.rows for name in row if name not in ("at_ms", "port", "facts")))
    rows = tuple(
        (f"{(row['at_ms'] - EPOCH_MS) / SECOND:g} s", ports[row["port"]], *(_count(row, name) for name in names))
        for row in part.rows
    )
    return Table("Samples", ("After", "Port", *(name.replace("_", " ") for name in names)), rows)


def _count(row: Mapping[str, int], name: str) -> str:
    if name not in row:
        return "–"  # noqa: RUF001  # a dash
    return f"{(row[name] - EPOCH_MS) / SECOND:g} s" if name == "received_ms" else f"{row[name]:,}"


def _windows(told: Assessment, way: int, ports: list[str]) -> Table:
    members, teams = told.members, told.teams
    rows = tuple(
        (
            f"{window * WINDOW_S} s",
            *(
                _used(members.utilisation[port, window, way], members.why_not[port, window, way])
                for port in range(len(ports))
            ),
            per_cent(float(teams.even_split[0, window, way]), 1),
            KIND_WORDS[int(teams.kind[0, window, way])],
        )
        for window in range(members.utilisation.shape[1])
    )
    return Table(f"Windows, {DIRECTIONS[way]}", ("Begins after", *ports, "Even split", "Kind"), rows)


def _drawing(told: Assessment, way: int, ports: list[str]) -> Markup:
    members, rule = told.members, Rule()
    lines = tuple(
        Line(name, members.utilisation[row, :, way], _in_part(members, row, way)) for row, name in enumerate(ports)
    )
    table = _windows(told, way, ports)
    plot = Plot(
        title=table.caption,
        summary="; ".join(f"after {row[0]} {', '.join(row[1:-2])}" for row in table.rows),
        first_ms=members.span.first_ms,
        width_ms=members.span.width_ms,
        lines=lines,
        even_split=told.teams.even_split[0, :, way],
        hot_above=rule.hot_above,
        idle_below=rule.idle_below,
    )
    return Markup(drawing.both(plot))  # noqa: S704  # our own drawing, which escapes foreign text


def _in_part(members: MemberWindows, row: int, way: int) -> Truths:
    """Known figures of which only a part of the time was covered; a coverage is of single precision."""
    known: Truths = np.isfinite(members.utilisation[row, :, way])
    return known & (members.coverage[row, :, way] < 0.9995)


def _used(share: float, why_not: int) -> str:
    known = per_cent(float(share), 1)
    return f"{known} ({WHY_NOT_WORDS[int(why_not)]})" if why_not else known


def _statuses(told: Assessment, part: Part, ports: list[str]) -> tuple[str, ...]:
    """What was made of each interval that is not simply good."""
    intervals, way, said = told.intervals, _ways(part)[0], []
    for place, status in enumerate(intervals.status[:, way].tolist()):
        words = [flag.name.lower().replace("_", " ") for flag in Flag(int(intervals.flags[place, way])) if flag.name]
        if status > Status.OK or (words and status == Status.OK):
            end_s = (intervals.end_ms[place] - EPOCH_MS) / SECOND
            said.append(
                f"{ports[intervals.port[place]]}, up to {end_s:g} s: {', '.join((STATUS_WORDS[status], *words))}"
            )
            rates = intervals.candidates_bps.get((place, way), ())
            said += [f"it may have been {' or '.join(rate(bps) for bps in rates)}"] if rates else []
    return tuple(said)
