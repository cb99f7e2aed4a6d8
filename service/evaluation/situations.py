"""Situations of findings from what is kept: windows, items, states, far ends, what people declared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection

from service.evaluation.plan import Policy
from service.rules.situation import FarEnd, Situation, cut, stretch
from service.storage import claims, facts, heard, inventory, items, samples, windows
from service.storage.claims import Place
from service.storage.inventory import Placed
from service.terms import (
    DECLARED,
    DIRECTIONS,
    DISCOVERED,
    EGRESS,
    UNKNOWN,
    BundleState,
    Claim,
    Finding,
    Item,
    MemberWindows,
)

AT_ONCE_MS = 3 * 3_600_000  # findings whose stretches begin within so long are read together


@dataclass(frozen=True)
class _Around:
    """What is known besides windows of the devices of some findings; claims by port, the device's word first."""

    placed: Placed
    said: Mapping[Place, Sequence[Claim]]
    far: Mapping[Place, Place]
    far_heard: Mapping[Place, heard.Heard]
    mtu: Mapping[int, int] = field(default_factory=dict)


class _Seat(NamedTuple):
    """A finding and the position of its team in a layout."""

    finding: Finding
    at: int


def of(
    connection: Connection, findings: Sequence[tuple[int, Finding]], policy: Policy, now_ms: int
) -> dict[str, Situation]:
    """By id, the situation of each finding, given with its team's id; without one where the team has no members."""
    around = _around(connection, sorted({team_id for team_id, _ in findings}))
    at = {team_id: position for position, team_id in enumerate(around.placed.team_ids.tolist())}
    seats = [_Seat(finding, at[team_id]) for team_id, finding in findings if team_id in at]
    found: dict[str, Situation] = {}
    for some in _together(seats, policy.width_ms):
        found.update(_of(connection, some, around, policy, now_ms))
    return found


def of_finding(connection: Connection, team_id: int, finding: Finding, policy: Policy, now_ms: int) -> Situation | None:
    """The situation of one finding, None where its team has no members any more."""
    return of(connection, [(team_id, finding)], policy, now_ms).get(finding.id)


def _together(seats: Sequence[_Seat], width_ms: int) -> list[list[_Seat]]:
    """The findings in groups whose windows are read at once: what lies months apart is not."""
    groups: dict[int, list[_Seat]] = {}
    for seat in seats:
        groups.setdefault(stretch(seat.finding, width_ms)[0] // AT_ONCE_MS, []).append(seat)
    return list(groups.values())


def _around(connection: Connection, team_ids: Sequence[int]) -> _Around:
    placed = inventory.layout(connection, team_ids)
    devices = placed.layout.devices
    said: dict[Place, list[Claim]] = {}
    for claim in claims.of_devices(connection, devices):
        said.setdefault((claim.device, claim.port), []).append(claim)
    far = claims.far_ends(connection, devices)
    far_heard = heard.known(connection, {device for device, _ in far.values()}) if far else {}
    return _Around(placed, said, far, far_heard)


def _of(
    connection: Connection, seats: Sequence[_Seat], around: _Around, policy: Policy, now_ms: int
) -> dict[str, Situation]:
    placed = around.placed
    from_ms, to_ms = _whole([seat.finding for seat in seats], policy.width_ms)
    team_ids = np.unique([placed.team_ids[seat.at] for seat in seats]).astype(np.int32)
    kept = windows.read_many(connection, team_ids, from_ms, to_ms, policy.width_ms)
    members = windows.by_layout(kept, placed)
    drops = _far_drops(connection, seats, around, (from_ms, to_ms), policy.width_ms)
    around = replace(around, mtu=_mtu(connection, placed, from_ms, to_ms))
    return {seat.finding.id: _situation(connection, seat, around, (members, drops), policy, now_ms) for seat in seats}


def _mtu(connection: Connection, placed: Placed, from_ms: int, to_ms: int) -> dict[int, int]:
    """The MTU of each member, by its position in the layout, as its last sample of the time has it."""
    ports = np.sort(placed.port_ids)
    found, table = facts.pointed(connection, samples.last_before(connection, ports, to_ms, not_before_ms=from_ms))
    mtus: list[int] = table.mtu[found.facts].tolist()
    told = dict(zip(ports[found.port].tolist(), mtus, strict=True))
    return {position: told.get(port_id, 0) for position, port_id in enumerate(placed.port_ids.tolist())}


def _whole(findings: Sequence[Finding], width_ms: int) -> tuple[int, int]:
    spans = [stretch(finding, width_ms) for finding in findings]
    return min(first for first, _ in spans), max(end for _, end in spans)


def _situation(  # noqa: PLR0913, PLR0917  # what a situation is made of
    connection: Connection,
    seat: _Seat,
    around: _Around,
    read: tuple[MemberWindows, Mapping[Place, MemberWindows]],
    policy: Policy,
    now_ms: int,
) -> Situation:
    finding, at = seat
    layout = around.placed.layout
    ports = [port for port in layout.members[at].tolist() if port != UNKNOWN]
    places = [(layout.ports[port].device, layout.ports[port].port) for port in ports]
    span_ms = stretch(finding, policy.width_ms)
    carried, seconds = _items(connection, around.placed, ports, finding, span_ms)
    return Situation(
        finding=finding,
        team=layout.teams[at],
        rule=policy.rules_for(finding.device, finding.team),
        ports=tuple(port for _, port in places),
        windows=cut(read[0], ports, *span_ms),
        states=tuple(_state(around, place) for place in places),
        far_ends=tuple(_far_end(around, place, read[1], span_ms) for place in places),
        items=carried,
        items_s=seconds,
        mtu=min((around.mtu[port] for port in ports if around.mtu.get(port)), default=0),
        macs=tuple(_declared(around, place, "mac") or 0 for place in places),
        site=_first(around, places, "site"),
        owner_told=_first(around, places, "owner"),
        now_ms=now_ms,
    )


def _items(
    connection: Connection, placed: Placed, ports: Sequence[int], finding: Finding, span_ms: tuple[int, int]
) -> tuple[tuple[Item, ...], float]:
    """The items of the finding's direction while it was so: before it began others may have run."""
    port_ids = [int(placed.port_ids[port]) for port in ports]
    way = DIRECTIONS.index(finding.direction)
    rates = items.of_ports(connection, port_ids, way, finding.since_ms, max(span_ms[1], finding.since_ms + 1))
    return rates.items, rates.seconds


def _state(around: _Around, place: Place) -> BundleState | None:
    told = [one.state for one in around.said.get(place, ()) if one.said_by == DISCOVERED]
    return told[0] if told and told[0] != BundleState() else None


def _declared(around: _Around, place: Place, name: str) -> int:
    return max((getattr(one, name) for one in around.said.get(place, ())), default=0)


def _first(around: _Around, places: Sequence[Place], name: str) -> str:
    told = [getattr(one, name) for place in places for one in around.said.get(place, ()) if one.said_by == DECLARED]
    return next((one for one in told if one), "")


def _far_end(around: _Around, place: Place, drops: Mapping[Place, MemberWindows], span_ms: tuple[int, int]) -> FarEnd:
    far = around.far.get(place)
    if far is None:
        return FarEnd()
    if far not in drops:
        return FarEnd(*far)
    ratios = cut(drops[far], [0], *span_ms).discard_ratio[0, :, EGRESS]
    known = ratios[~np.isnan(ratios)]
    return FarEnd(*far, float(known.max()) if len(known) else None)


def _far_drops(
    connection: Connection, seats: Sequence[_Seat], around: _Around, span_ms: tuple[int, int], width_ms: int
) -> dict[Place, MemberWindows]:
    """By far-end port, its own windows, of those that matter: what comes here is dropped there."""
    layout = around.placed.layout
    wanted = {
        (layout.ports[port].device, layout.ports[port].port)
        for seat in seats
        if seat.finding.direction != DIRECTIONS[EGRESS]
        for port in layout.members[seat.at].tolist()
        if port != UNKNOWN
    }
    ends = {around.far[place] for place in wanted if place in around.far}
    teams = {(far[0], one.team) for far in ends if (one := around.far_heard.get(far)) is not None and one.team}
    if not teams:
        return {}
    team_ids = sorted(inventory.team_named(connection, *team) for team in teams)
    placed = inventory.layout(connection, team_ids)
    kept = windows.read_many(connection, placed.team_ids, *span_ms, width_ms)
    members = windows.by_layout(kept, placed)
    at = {(port.device, port.port): position for position, port in enumerate(placed.layout.ports)}
    return {far: cut(members, [at[far]], *span_ms) for far in ends if far in at}
