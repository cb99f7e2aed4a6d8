"""Teams at a glance: of many teams at once, the fullest and the emptiest member in the last decided window."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple
from urllib.parse import urlencode

import numpy as np
from sqlalchemy import Connection

from service.storage import windows
from service.storage.team_search import Listed
from service.terms import DIRECTIONS
from service.webhooks.fields import instant

MOST_BEHIND = 2
"""Windows by which teams of one list are decided apart where all are heard."""


class Share(NamedTuple):
    """How full a member was, and where that is worked out."""

    port: str
    utilisation: float
    working: str


class Glance(NamedTuple):
    """A team in one direction: its fullest member, and the emptiest of the others that could carry load."""

    start_ms: int
    fullest: Share
    emptiest: Share | None


def glances(connection: Connection, teams: Sequence[Listed], width_ms: int) -> dict[int, list[Glance | None]]:
    """By team, egress and ingress; None where its last window says nothing; a team that is far behind is left out."""
    newest_ms = max((team.decided_ms for team in teams if team.decided_ms is not None), default=None)
    if newest_ms is None:
        return {}
    ids = np.array([team.id for team in teams], dtype=np.int32)
    kept = windows.read_many(connection, ids, newest_ms - MOST_BEHIND * width_ms, newest_ms, width_ms)
    seen = _Seen(kept, {port_id: row for row, port_id in enumerate(kept.port_ids.tolist())})
    return {
        team.id: [seen.glance(team, slot, way) for way in range(2)]
        for k, team in enumerate(teams)
        if (slot := _last(kept, k)) is not None
    }


def _last(kept: windows.Kept, team: int) -> int | None:
    there = np.flatnonzero(kept.there[team])
    return int(there[-1]) if there.size else None


class _Seen(NamedTuple):
    kept: windows.Kept
    row_of: dict[int, int]

    def glance(self, team: Listed, slot: int, way: int) -> Glance | None:
        start_ms = int(self.kept.members.span.starts()[slot])
        shares = list(self._shares(team, slot, way))
        if not shares:
            return None
        fullest = max(range(len(shares)), key=lambda k: shares[k][1].utilisation)
        others = [share for k, (eligible, share) in enumerate(shares) if eligible and k != fullest]
        emptiest = min(others, key=lambda share: share.utilisation, default=None)
        return Glance(start_ms, shares[fullest][1], emptiest)

    def _shares(self, team: Listed, slot: int, way: int) -> Iterator[tuple[bool, Share]]:
        """Members whose figure is known, and whether each could carry load."""
        members, start = self.kept.members, instant(int(self.kept.members.span.starts()[slot]))
        for port_id, port in team.members.items():
            row = self.row_of.get(port_id)
            figure = math.nan if row is None else float(members.utilisation[row, slot, way])
            if row is not None and not math.isnan(figure):
                place = urlencode({"port": port, "direction": DIRECTIONS[way], "start": start})
                eligible = not members.why_not[row, slot, way]
                yield eligible, Share(port, figure, f"/teams/{team.id}/working?{place}")
