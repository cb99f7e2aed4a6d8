"""On which members streams landed: steps in members' rates, held against what was declared."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from service.numerics.steps import Step, steps
from service.rules.trials.cells import Cells
from service.rules.trials.dealing import NEAR, dealt
from service.rules.trials.outcome import Landed, Seat
from service.rules.trials.plan import Changed, Event, Plan
from service.terms import Floats, Item

LEAST_OF_STREAM = 0.5  # what is lower than half of a stream is none
LEAST_OF_SPEED = 0.005
EARLY_MS = 5000  # clocks of people and devices differ by as much
FOLLOWS_MS = 300_000  # so long after a change a step may still be its doing
OF_A_STREAM = 0.2  # a record is of a stream where its rate is no further off
BEGIN, END, CHANGE, UNDECLARED = "begin", "end", "change", ""


class _Moment(NamedTuple):
    """What was declared for the time of a step, and which of the declared ones it is."""

    word: str
    at: int


def landed(plan: Plan, cells: Cells) -> tuple[Landed, ...]:
    """Every step of every member in order of time, with what was declared for its time and the streams it stands for.

    Streams of one rate are told by the height of each step alone; of several rates, where one way of dealing them
    out fits the steps of all members clearly better than any other.
    """
    moments: dict[_Moment, list[Landed]] = {}
    for port in range(len(cells.ports)):
        for step in _steps(plan, cells, port):
            found = _step(plan, cells, port, step)
            moments.setdefault(_moment(plan, cells, found), []).append(found)
    told = [step for moment, some in moments.items() for step in _explained(plan, cells, moment, some)]
    return tuple(sorted(told, key=lambda step: (step.at_ms, step.port)))


def seats(plan: Plan, cells: Cells, found: Sequence[Landed]) -> tuple[Seat, ...]:
    """How many streams began on each member; empty where not every stream could be told.

    Steps at declared times come first; only where these do not account for all, those at other times are counted.
    """
    for words in ({BEGIN}, {BEGIN, UNDECLARED}):
        began = [step for step in found if step.height_bps > 0 and step.declared in words]
        counts: Counter[str] = Counter()
        for step in began:
            counts[step.port] += step.streams or 0
        if all(step.streams for step in began) and counts.total() == _all_of(plan):
            return tuple(Seat(port, counts[port]) for port in cells.ports)
    return ()


def seats_by_records(plan: Plan, cells: Cells, items: Sequence[Item]) -> tuple[Seat, ...]:
    """How many records of streams each member has, from the stretch in which most was offered.

    Empty where there are not as many records near the rate of a stream as streams run then.
    """
    running = plan.during(*plan.fullest())
    rates = {plan.framing.counted_bps(group.bps) for group in running}
    near = [item for item in items if any(abs(item.bps - rate) <= OF_A_STREAM * rate for rate in rates)]
    counts = Counter(item.port for item in near)
    whole = counts.total() == sum(group.count for group in running) and counts.keys() <= set(cells.ports)
    return tuple(Seat(port, counts[port]) for port in cells.ports) if whole else ()


def _all_of(plan: Plan) -> int:
    return sum(group.count for group in plan.groups)


def _stated_bps(plan: Plan, cells: Cells, port: int) -> Floats:
    """A member's rates as the plan states them, (n_cells,)."""
    rates: Floats = cells.bps[port] / plan.framing.counted_bps(1.0, int(cells.counts[port]))
    return rates


def _steps(plan: Plan, cells: Cells, port: int) -> tuple[Step, ...]:
    least = max(
        LEAST_OF_STREAM * min(group.bps for group in plan.groups), LEAST_OF_SPEED * float(cells.speeds_bps[port])
    )
    return steps(_stated_bps(plan, cells, port), least)


def _step(plan: Plan, cells: Cells, port: int, step: Step) -> Landed:
    at_ms = _when(_stated_bps(plan, cells, port), cells, step)
    return Landed(
        port=cells.ports[port],
        at_ms=at_ms,
        earliest_ms=min(at_ms, int(cells.edges_ms[step.last + 1])),
        latest_ms=max(at_ms, int(cells.edges_ms[step.at])),
        height_bps=step.height * plan.framing.counted_bps(1.0, int(cells.counts[port])),
        declared=UNDECLARED,
        streams=None,
        stream_bps=None,
    )


def _when(rates: Floats, cells: Cells, step: Step) -> int:
    """When the level changed, from what was carried above the old level in the cells around the step."""
    around = slice(step.last, step.at + 1)
    on_new_ms = float(((rates[around] - step.before) * cells.widths_ms[around]).sum()) / step.height
    begin, end = int(cells.edges_ms[step.last]), int(cells.edges_ms[step.at + 1])
    if np.isnan(on_new_ms):
        return (int(cells.edges_ms[step.last + 1]) + int(cells.edges_ms[step.at])) // 2
    return int(min(max(end - on_new_ms, begin), end))


def _moment(plan: Plan, cells: Cells, step: Landed) -> _Moment:
    """The nearest beginning or end of the step's sign, or the change before it."""
    slack = _slack_ms(cells)
    near = [
        (abs(step.at_ms - event.at_ms), _Moment(BEGIN if event.begins else END, at))
        for at, event in enumerate(plan.events)
        if event.begins == (step.height_bps > 0) and abs(step.at_ms - event.at_ms) <= slack
    ]
    change = change_of(plan, cells, step)
    after = [] if change is None else [(max(0, step.at_ms - change.at_ms), _Moment(CHANGE, 0))]
    return min([*near, *after], default=(0, _Moment(UNDECLARED, 0)))[1]


def change_of(plan: Plan, cells: Cells, step: Landed) -> Changed | None:
    """The last change before a step, or one that it comes a little before; None where none is near."""
    slack = _slack_ms(cells)
    near = [change for change in plan.changes if -slack <= step.at_ms - change.at_ms <= FOLLOWS_MS]
    return max(near, key=lambda change: change.at_ms, default=None)


def _slack_ms(cells: Cells) -> int:
    return max(2 * cells.poll_ms, EARLY_MS)


def _explained(plan: Plan, cells: Cells, moment: _Moment, some: Sequence[Landed]) -> list[Landed]:
    if moment.word in {BEGIN, END}:
        streams = _rates(plan.events[moment.at])
        if len(streams) > 1:
            return _as_dealt(plan, cells, moment, streams, some)
        [bps] = streams
        return [_counted(plan, cells, step, moment.word, bps) for step in some]
    rates = {group.bps for group in plan.groups}
    if len(rates) > 1:
        return [replace(step, declared=moment.word) for step in some]
    return [_counted(plan, cells, step, moment.word, *rates) for step in some]


def _rates(event: Event) -> Mapping[float, int]:
    counts: Counter[float] = Counter()
    for group in event.groups:
        counts[group.bps] += group.count
    return counts


def _counted(plan: Plan, cells: Cells, step: Landed, word: str, bps: float) -> Landed:
    """With as many streams of one rate as come near its height."""
    unit = plan.framing.counted_bps(bps, int(cells.counts[cells.ports.index(step.port)]))
    whole = round(step.height_bps / unit)
    if not whole or abs(step.height_bps - whole * unit) > NEAR * unit:
        return replace(step, declared=word)
    return replace(step, declared=word, streams=whole, stream_bps=bps)


def _as_dealt(
    plan: Plan, cells: Cells, moment: _Moment, streams: Mapping[float, int], some: Sequence[Landed]
) -> list[Landed]:
    ports = [step.port for step in some]
    if len(set(ports)) < len(ports):
        return [replace(step, declared=moment.word) for step in some]
    heights = dict.fromkeys(cells.ports, 0.0)
    for step in some:
        kind = int(cells.counts[cells.ports.index(step.port)])
        heights[step.port] = abs(step.height_bps) / plan.framing.counted_bps(1.0, kind)
    counts = dealt(tuple(heights.values()), streams)
    sign = 1 if moment.word == BEGIN else -1
    return [_with(step, moment.word, sign, _of(counts, cells.ports.index(step.port), streams)) for step in some]


def _of(counts: tuple[tuple[int, ...], ...] | None, port: int, streams: Mapping[float, int]) -> dict[float, int]:
    if counts is None:
        return {}
    return {rate: some[port] for rate, some in zip(sorted(streams), counts, strict=True) if some[port]}


def _with(step: Landed, word: str, sign: int, here: Mapping[float, int]) -> Landed:
    if not here:
        return replace(step, declared=word)
    alone = next(iter(here)) if len(here) == 1 else None
    return replace(step, declared=word, streams=sign * sum(here.values()), stream_bps=alone)
