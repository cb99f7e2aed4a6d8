"""Roads from a scenario's numbers to an assessment: samples as a source would send them, through the whole core."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from examples import EPOCH_MS, GIGABIT, SECOND, a_layout, facts_of, samples_of

from service.rules.assess import Assessment, Run, assess
from service.terms import Facts, Layout, OperStatus, Rule, Span

WINDOW_S = 30


def row(at: float, port: int = 0, **counters: int) -> dict[str, int]:
    """One sample, `at` seconds after the epoch of the examples."""
    return {"at": EPOCH_MS // SECOND + at, "port": port, **counters}


def fact(cap: int = GIGABIT, **more: object) -> Facts:
    """What a source says of a port that is up."""
    return Facts(**{"speed_bps": cap, "oper": OperStatus.UP, **more})


def assessed(
    rows: Sequence[dict[str, int]],
    *facts: Facts,
    windows: int = 1,
    layout: Layout | None = None,
    rule: Rule | None = None,
    **more: object,
) -> Assessment:
    """Assess samples of one team, by default of as many members as ports are named in the rows."""
    layout = layout or a_layout(1 + max(told.get("port", 0) for told in rows))
    return assess(
        Run(
            samples=samples_of(rows),
            facts=facts_of(*(facts or (fact(),))),
            layout=layout,
            rules=(rule or Rule(),) * len(layout.teams),
            span=Span(EPOCH_MS, windows),
            now_ms=max((round(told["at"] * SECOND) for told in rows), default=EPOCH_MS),
            **more,
        )
    )


def octets_of(utilisation: float, cap: int = GIGABIT, seconds: int = WINDOW_S) -> int:
    """The octets that a share of line rate is in so many seconds."""
    return round(utilisation * cap * seconds / 8)


def series(
    members: Sequence[Sequence[float]], *, cap: int = GIGABIT, ways: Sequence[str] = ("out_octets",), port: int = 0
) -> list[dict[str, int]]:
    """Samples on the windows' edges whose counters give each member its utilisation, window by window."""
    rows = []
    for member, values in enumerate(members):
        counts = np.concatenate([[0], np.cumsum([octets_of(value, cap) for value in values])])
        for window, count in enumerate(counts.tolist()):
            rows.append(row(window * WINDOW_S, port + member, **dict.fromkeys(ways, int(count))))
    return rows


def kinds(found: Assessment, direction: int = 0) -> list[str]:
    """The kind of each window of the first team, in words."""
    from service.terms import KIND_WORDS

    return [KIND_WORDS[kind] for kind in found.teams.kind[0, :, direction]]


def told(found: Assessment) -> list[tuple[str, int]]:
    """What became of findings, as (what, window) pairs."""
    return [(step.what, (step.at_ms - EPOCH_MS) // (WINDOW_S * SECOND) - 1) for step in found.steps]
