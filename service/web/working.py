"""Where a figure comes from: one member in one window, worked out anew from the samples that are kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from sqlalchemy import Connection

from service.errors import NotFound, WrongQuestion
from service.evaluation import Policy, declared
from service.evaluation.piece import bearing_on
from service.rules.assess import Run, assess
from service.rules.working import Part, Source, Working
from service.rules.working import working as worked_out
from service.storage import inventory, windows
from service.storage.inventory import Placed
from service.terms import DIRECTIONS, Span
from service.web import measured
from service.web.figures import known
from service.web.models import Direction
from service.webhooks.fields import instant

# A day short of the years 1 to 9999: the end of a window has to be a date as well.
DATES_MS = range(-62_135_510_400_000, 253_402_214_400_000)


def shown(
    connection: Connection, policy: Policy, team_id: int, asked: tuple[str, Direction, int], now_ms: int
) -> measured.Working:
    """The working of a port, direction and start of a window; NotFound where there is no such member or window."""
    port, direction, start_ms = asked
    width_ms = policy.width_ms
    if start_ms not in DATES_MS:
        raise WrongQuestion("start", "is at the edge of what a date can say; no window was ever there")
    team = inventory.team(connection, team_id)
    if port not in team.members:
        raise NotFound("member port", port)
    if start_ms % width_ms:
        raise NotFound(f"window of {width_ms // 1000} s that begins at", instant(start_ms) or "")
    placed = inventory.layout(connection, [team_id])
    at = next(row for row, name in enumerate(placed.layout.ports) if name.port == port)
    way = DIRECTIONS.index(direction)
    source = _source(connection, placed, policy, (Span(start_ms, 1, width_ms), now_ms))
    decided = _decided(connection, team_id, int(placed.port_ids[at]), (start_ms, width_ms, way))
    return _told(worked_out(source, at, 0, way), team.name, decided)


def _source(connection: Connection, placed: Placed, policy: Policy, when: tuple[Span, int]) -> Source:
    """What an evaluation of this one window, done now, works with."""
    span, now_ms = when
    said = declared.of(connection, placed.layout, policy, now_ms)
    samples, table = bearing_on(connection, placed, span)
    rules = tuple(policy.rules_for(team.device, team.team) for team in placed.layout.teams)
    speeds = policy.speeds(placed.layout)
    run = Run(samples, table, placed.layout, rules, span, now_ms=span.end_ms, speeds=speeds)
    found = assess(replace(run, far_bps=said.far_bps, roles=said.roles(samples, table)))
    kept = (found.samples, None, found.intervals, found.facts, placed.layout, found.members)
    return Source(*kept, speeds, said.far_ends)


def _decided(connection: Connection, team_id: int, port_id: int, at: tuple[int, int, int]) -> float | None:
    """What was kept of this member when the window was decided."""
    start_ms, width_ms, way = at
    kept = windows.read(connection, team_id, start_ms, start_ms + width_ms, width_ms)
    rows = np.flatnonzero(kept.port_ids == port_id)
    return known(kept.members.utilisation[rows[0], 0, way]) if len(rows) else None


def _told(worked: Working, team: str, decided: float | None) -> measured.Working:
    same = ("device", "port", "direction", "coverage", "speed_source", "basis", "shared", "utilisation", "lower")
    return measured.Working.model_validate(
        {name: getattr(worked, name) for name in (*same, "upper", "why_not")}
        | {
            "team": team,
            "start": instant(worked.start_ms),
            "end": instant(worked.end_ms),
            "parts": [_part(part) for part in worked.parts],
            "covered_seconds": worked.covered_ms / 1000,
            "speed_bps": worked.speed_bps or None,
            "added_octets_per_frame": worked.added_per_frame,
            "by_hand": worked.by_hand(),
            "decided": decided,
        }
    )


def _part(part: Part) -> dict[str, object]:
    same = ("reading_before", "reading_after", "wraps", "octets", "frames", "status")
    return {name: getattr(part, name) for name in same} | {
        "start": instant(part.start_ms),
        "end": instant(part.end_ms),
        "seconds": part.overlap_ms / 1000,
        "speed_bps": part.speed_bps or None,
        "flags": list(part.flags),
    }
