"""Findings about fleets: many teams that show the same for one cause make one finding and one message.

The findings of the single teams stay as they are, as parts of the one about all of them; what they
owe and nobody has been told yet is left to that one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from sqlalchemy import Connection

from service import delivery
from service.rules import fleet
from service.rules.diagnoses.deciding import decider
from service.rules.fleet import Alike, HotTeam, Pattern
from service.storage import deliveries, findings, fleets, inventory
from service.storage.fleets import NO_TEAM, Uneven
from service.terms import Finding, TeamName
from service.webhooks.routes import Route

# A cause in common strikes its teams within a window or two of each other. So long a message about one of many teams
# alike waits for the others.
HOLD_MS = 35_000
# What is no pattern of load, as members that fail behind one switch, waits only for those of the same moment.
SHORT_HOLD_MS = 10_000


def settle(connection: Connection, routes: Sequence[Route], now_ms: int) -> Counter[str]:
    """Raise, extend and end findings about fleets as the open findings of teams stand; how many, and what they owe."""
    counts: Counter[str] = Counter()
    ending = {finding.id: finding for finding in fleets.open_fleets(connection)}
    for found in _patterns(connection, fleets.uneven(connection)):
        known = _about(found, ending.values())
        if known is not None:
            del ending[known.id]
        counts += _follow(connection, found, known, routes, now_ms)
    for finding in ending.values():
        counts += _end_if_over(connection, finding, routes, now_ms)
    return counts


def crowded(connection: Connection, team_ids: Iterable[int]) -> dict[int, str]:
    """Those of the teams that have so many alike that a message about one waits for the others, with their far end."""
    far = fleets.far_ends(connection, set(team_ids))
    if not far:
        return {}
    sizes = fleets.sizes(connection, {device for devices in far.values() for device in devices.split("+")})
    return {
        team_id: devices
        for team_id, devices in far.items()
        if max(sizes.get(device, 0) for device in devices.split("+")) >= fleet.FEWEST_TEAMS
    }


def _about(found: Pattern, still: Iterable[Finding]) -> Finding | None:
    """The open finding that a pattern goes on with: toward one far end there may be several, of different methods."""
    mine = Counter(part.finding.part_of for part in found.parts)
    place = (found.alike.far_device, found.alike.direction)
    alike = [one for one in still if (one.device, one.direction) == place and mine[one.id]]
    return max(alike, key=lambda one: mine[one.id], default=None)


def _patterns(connection: Connection, uneven: Sequence[Uneven]) -> list[Pattern]:
    if len(uneven) < fleet.FEWEST_TEAMS:
        return []
    far = fleets.far_ends(connection, {one.team_id for one in uneven})
    groups: dict[tuple[str, str, str], list[Uneven]] = {}
    for one in uneven:
        if one.team_id in far:
            groups.setdefault((far[one.team_id], one.method, one.direction), []).append(one)
    found = []
    for (far_device, method, direction), group in groups.items():
        if len(group) >= fleet.FEWEST_TEAMS:
            for members, hot in _by_members(connection, group).items():
                found.append(fleet.pattern(Alike(far_device, method, direction, members), hot))
    return [one for one in found if one is not None]


def _by_members(connection: Connection, group: Sequence[Uneven]) -> Mapping[int, list[HotTeam]]:
    told = fleets.bodies_of(connection, [one.finding_id for one in group])
    by_members: dict[int, list[HotTeam]] = {}
    for one in group:
        finding = told[one.finding_id]
        position = fleet.position_of(finding)
        if position is not None:
            by_members.setdefault(len(finding.members), []).append(HotTeam(one.team_id, position, finding))
    return by_members


def _follow(
    connection: Connection, found: Pattern, known: Finding | None, routes: Sequence[Route], now_ms: int
) -> Counter[str]:
    finding = fleet.with_parts(known, found, now_ms) if known else _raised(connection, found, now_ms)
    if known is None or finding != replace(known, updated_ms=now_ms):
        findings.save(connection, NO_TEAM, finding)
    _take_in(connection, finding, found, now_ms)
    if known is not None:
        return Counter()
    findings.note(connection, finding.id, finding.raised_ms, "raised", text=finding.diagnosis or "")
    return Counter(raised=1, owed=delivery.owe(connection, finding, "raised", routes, now_ms))


def _raised(connection: Connection, found: Pattern, now_ms: int) -> Finding:
    team = inventory.team(connection, found.parts[0].team_id)
    told = decider(TeamName(team.device, team.name, team.method, team.bundle), found.alike.direction)
    at_ms = max(part.finding.raised_ms for part in found.parts)
    return fleet.raised(found, min(at_ms, now_ms), told.owner, told.text)


def _take_in(connection: Connection, finding: Finding, found: Pattern, now_ms: int) -> None:
    """Note at each part what it is part of, and tell nobody of it singly who has not been told already."""
    for part in found.parts:
        if part.finding.part_of == finding.id:
            continue
        findings.save(connection, part.team_id, replace(part.finding, part_of=finding.id))
        at_ms = max(part.finding.raised_ms, finding.raised_ms)
        findings.note(connection, part.finding.id, at_ms, "part-of", text=f"part of {finding.id}: {finding.diagnosis}")
        deliveries.leave_to(connection, part.finding.id, finding.id, now_ms)


def _end_if_over(connection: Connection, finding: Finding, routes: Sequence[Route], now_ms: int) -> Counter[str]:
    """End a finding about a fleet once none of its teams is hot any more; while one is, it stays."""
    ends = fleets.part_ends(connection, finding)
    if any(end_ms is None for end_ms in ends):
        return Counter()
    end_ms = max((end_ms for end_ms in ends if end_ms is not None), default=now_ms)
    done = fleet.over(finding, max(end_ms, finding.raised_ms))
    findings.save(connection, NO_TEAM, done)
    findings.note(connection, done.id, done.cleared_ms or now_ms, "cleared", text="none of its teams is hot any more")
    return Counter(cleared=1, owed=delivery.owe(connection, done, "cleared", routes, now_ms))
