"""A heavy-traffic check put together: counted against offered, where streams landed, shifts, what odds had said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from service.numerics.frames import AROUND
from service.rules.assess import Assessment
from service.rules.trials import counting, foretelling, landing, shifting
from service.rules.trials.cells import Cells, Ports, cells_of
from service.rules.trials.framing import LEFT_OUT
from service.rules.trials.outcome import Count, Landed, Member, Seat, Trial
from service.rules.trials.plan import CAUTIONS, Plan
from service.rules.words import percent, rate
from service.terms import UNKNOWN, Ints, Item, Layout, Truths

LOOK_BACK_MS = counting.BEFORE_MS
LOOK_AHEAD_MS = 60_000
FRAME_OFF = 0.02  # frames seen and planned further apart than this: the overhead was reckoned wrong
NEARLY_FULL = 0.97


def judged(plan: Plan, cells: Cells, items: Sequence[Item] = ()) -> Trial:
    """What came of a plan, as far as polls reach."""
    found = landing.landed(plan, cells)
    count, members = counting.counted(plan, cells), _members(plan, cells)
    by_records = landing.seats_by_records(plan, cells, items)
    seats = by_records or landing.seats(plan, cells, found)
    until_ms = int(cells.edges_ms[-1]) if len(cells.widths_ms) else None
    return Trial(
        device=plan.device,
        team=plan.team,
        direction=plan.direction,
        begin_ms=plan.begin_ms,
        end_ms=plan.end_ms,
        until_ms=until_ms,
        complete=until_ms is not None and until_ms >= plan.end_ms,
        poll_s=cells.poll_ms / 1000,
        members=members,
        count=count,
        seats=seats,
        seats_by="records" if by_records else "steps" if seats else "",
        landed=found,
        shifts=shifting.shifts(plan, cells, found),
        foretold=foretelling.foretold(plan, cells, members, seats),
        discards=counting.discarded(cells, plan.begin_ms, plan.end_ms),
        items=tuple(items),
        warnings=tuple(_warnings(plan, cells, count, found, seats)),
        cautions=CAUTIONS,
    )


class Place(NamedTuple):
    """A team by its position in a layout, and the speeds that are set of all ports, (n_ports,), 0 where none is."""

    layout: Layout
    at: int
    speeds_bps: Ints


def of_assessment(plan: Plan, found: Assessment, place: Place, items: Sequence[Item] = ()) -> Trial:
    """What came of a plan for a team, from samples that were assessed in its layout."""
    seats = [port for port in place.layout.members[place.at].tolist() if port != UNKNOWN]
    ports = Ports({port: place.layout.ports[port].port for port in seats}, place.speeds_bps[seats])
    between = plan.begin_ms - LOOK_BACK_MS, plan.end_ms + LOOK_AHEAD_MS
    return judged(plan, cells_of(found.intervals, found.facts, plan.direction, ports, between), items)


def _members(plan: Plan, cells: Cells) -> tuple[Member, ...]:
    steady = _steady(plan, cells)
    background = counting.background_bps(plan, cells)
    bps = cells.bps[:, steady].mean(axis=1) if steady.any() else np.full(len(cells.ports), np.nan)
    on_wire = np.array([_of_wire(plan, int(kind)) for kind in cells.counts])
    return tuple(
        Member(
            port=port,
            speed_bps=int(speed) or None,
            background_bps=counting.known(before),
            counted_bps=counting.known(now),
            utilisation=counting.known(now * wire / speed) if speed else None,
        )
        for port, speed, before, now, wire in zip(cells.ports, cells.speeds_bps, background, bps, on_wire, strict=True)
    )


def _steady(plan: Plan, cells: Cells) -> Truths:
    """The cells in which most is offered, up to the first change in it."""
    from_ms, to_ms = plan.fullest()
    changes = [change.at_ms for change in plan.changes if from_ms < change.at_ms < to_ms]
    return cells.within(from_ms, min(changes, default=to_ms))


def _of_wire(plan: Plan, kind: int) -> float:
    """Octets on the wire for each octet that a counter of a kind shows."""
    framing = plan.framing
    return (framing.frame_octets + AROUND) / (framing.counted_bps(1.0, kind) * framing.stated_octets)


def _warnings(
    plan: Plan, cells: Cells, count: Count | None, found: Sequence[Landed], seats: Sequence[Seat]
) -> Iterator[str]:
    streams, members = sum(group.count for group in plan.groups), len(cells.ports)
    if streams < members:
        stays = "one stream stays on one member" if streams == 1 else f"{streams} streams reach {streams} members"
        yield f"{stays}, and the team has {members}: this plan cannot show whether load spreads"
    if count is None:
        yield "no poll of all members lies wholly in the check while something was offered: nothing to compare yet"
        return
    yield from _of_count(plan, cells, count)
    yield from _of_traffic(plan, count)
    if not seats:
        yield "which member each stream is on cannot be told: begin them some polls apart, or export records"
    if any(step.declared == landing.UNDECLARED and not step.streams for step in found):
        yield "some steps are of no stream: something else ran as well"


def _of_traffic(plan: Plan, count: Count) -> Iterator[str]:
    if count.background_bps is not None and count.background_bps > count.tolerance * count.expected_bps:
        yield f"{rate(count.background_bps)} ran before the check and is taken off, as if it had gone on just so"
    if plan.direction == "ingress":
        yield "what is lost on the way to this device is counted at the far-end ports, not here"


def _of_count(plan: Plan, cells: Cells, count: Count) -> Iterator[str]:
    if count.background_bps is None:
        yield "no poll shows what ran before the check: whatever else ran counts as the check's"
    planned = plan.framing.frame_octets - float(np.mean([LEFT_OUT[int(kind)] for kind in cells.counts]))
    if count.frame_octets and abs(count.frame_octets / planned - 1) > FRAME_OFF:
        yield (
            f"frames had {count.frame_octets:.0f} octets in the mean, and {planned:.0f} were planned: other sizes,"
            " other traffic, or segments that the device counts before it cuts them"
        )
    if not count.agrees:
        yield _why_not(plan, cells, count)


def _why_not(plan: Plan, cells: Cells, count: Count) -> str:
    told = f"counted is {percent(count.ratio)} of what was expected ({rate(count.expected_bps)})"
    full = [one.port for one in _members(plan, cells) if one.utilisation is not None and one.utilisation >= NEARLY_FULL]
    if count.ratio > 1:
        return f"{told}: something else ran, or the rates are of another layer than was said"
    if full:
        return f"{told}: {', '.join(full)} is full, so that not all that was offered fits"
    return f"{told}: the senders offered less, or it is lost before it reaches this team"
