"""Kept windows and roll-ups as answers: every member by its name, unknown figures null."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection

from service.evaluation import Policy
from service.rules.kinds import team_windows
from service.rules.table import rule_table
from service.storage import inventory, rollups, windows
from service.storage.inventory import Team
from service.storage.rollups import WIDTH_MS as ROLLUP_MS
from service.storage.rollups import Kept as KeptRollups
from service.storage.rosters import Roster
from service.storage.windows import Kept as KeptWindows
from service.terms import (
    BASIS_WORDS,
    DIRECTIONS,
    KIND_WORDS,
    MOST_MEMBERS,
    UNKNOWN,
    WHY_NOT_WORDS,
    Layout,
    MemberWindows,
    PortName,
    TeamName,
    TeamWindows,
    words_of_marks,
)
from service.web.stretches import Stay
from service.webhooks.fields import instant

Answers = Iterator[dict[str, Any]]


@dataclass(frozen=True)
class Showing:
    """One team whose kept figures are to be shown."""

    connection: Connection
    team: Team
    policy: Policy
    names: dict[int, str] = field(default_factory=dict)  # of ports met so far

    def windows(self, stay: Stay, ways: tuple[int, ...]) -> Answers:
        """The windows of a stay."""
        width_ms = self.policy.width_ms
        kept = windows.read(self.connection, self.team.id, stay.starts[0], stay.starts[-1] + width_ms, width_ms)
        layout, members, teams = self.measured(kept, stay.roster)
        for start_ms in stay.starts:
            slot = (start_ms - members.span.first_ms) // width_ms
            for way in ways:
                yield self._window(layout, members, teams, (slot, way)) | {
                    "start": instant(start_ms),
                    "kind": KIND_WORDS[int(kept.kinds[0, slot, way])],
                    "restated": int(kept.restated[0, slot]),
                }

    def measured(self, kept: KeptWindows, roster: Roster) -> tuple[Layout, MemberWindows, TeamWindows]:
        """The team as it was with the members of a roster, their kept figures, and what the rules make of those."""
        members, layout = _of(kept, roster), self._layout(roster)
        rule = self.policy.rules_for(self.team.device, self.team.name)
        return layout, members, team_windows(members, layout, rule_table((rule,), layout.teams, members.span.width_ms))

    def rollups(self, stay: Stay, ways: tuple[int, ...]) -> Answers:
        """The roll-ups of a stay."""
        ids = np.array([self.team.id], dtype=np.int32)
        kept = rollups.read_many(self.connection, ids, stay.starts[0], stay.starts[-1] + ROLLUP_MS)
        at = np.searchsorted(kept.port_ids, stay.roster)
        for start_ms in stay.starts:
            slot = (start_ms - kept.span.first_ms) // ROLLUP_MS
            for way in ways:
                rolled = zip(stay.roster, at.tolist(), strict=True)
                members = [self._rolled(kept, port_id, (port, slot, way)) for port_id, port in rolled]
                yield {"direction": DIRECTIONS[way], "start": instant(start_ms), "members": members}

    def _window(
        self, layout: Layout, members: MemberWindows, teams: TeamWindows, at: tuple[int, int]
    ) -> dict[str, Any]:
        place = (0, *at)
        return {
            "device": self.team.device,
            "team": self.team.name,
            "direction": DIRECTIONS[at[1]],
            "evaluable": bool(teams.evaluable[place]),
            "even_split": known(teams.even_split[place]),
            "imbalance": known(teams.imbalance[place]),
            "busiest_share": known(teams.busiest_share[place]),
            "one_lost": known(teams.one_lost[place]),
            "members": [_member(port.port, members, (row, *at)) for row, port in enumerate(layout.ports)],
        }

    def _rolled(self, kept: KeptRollups, port_id: int, at: tuple[int, int, int]) -> dict[str, Any]:
        return {
            "port": self.name_of(port_id),
            "mean": known(kept.mean[at]),
            "peak": known(kept.peak[at]),
            "hot_seconds": known(kept.hot_seconds[at]),
            "coverage": known(kept.coverage[at]) or 0.0,
        }

    def name_of(self, port_id: int) -> str:
        """A port's name."""
        if port_id not in self.names:
            self.names[port_id] = inventory.ports(self.connection, [port_id])[port_id].port
        return self.names[port_id]

    def _layout(self, roster: Roster) -> Layout:
        """The team as it was, with the members of the roster by position."""
        team, count = self.team, len(roster)
        names = [self.name_of(one) for one in roster]
        return Layout(
            devices=(team.device,),
            ports=tuple(PortName(team.device, name, team.name, team.method, team.bundle) for name in names),
            teams=(TeamName(team.device, team.name, team.method, team.bundle),),
            device_of_port=np.zeros(count, dtype=np.int32),
            device_of_team=np.zeros(1, dtype=np.int32),
            members=np.array([[*range(count), *[UNKNOWN] * (MOST_MEMBERS - count)]], dtype=np.int32),
        )


def _of(kept: KeptWindows, roster: Roster) -> MemberWindows:
    """The kept figures of the members of a roster, in its order."""
    at = np.searchsorted(kept.port_ids, roster)
    arrays: dict[str, npt.NDArray[Any]] = {
        name: getattr(kept.members, name)[at] for name in MemberWindows.__dataclass_fields__ if name != "span"
    }
    return MemberWindows(span=kept.members.span, **arrays)


def _member(port: str, members: MemberWindows, at: tuple[int, int, int]) -> dict[str, Any]:
    why_not = int(members.why_not[at])
    return {
        "port": port,
        "utilisation": known(members.utilisation[at]),
        "lower": known(members.lower[at]),
        "upper": known(members.upper[at]),
        "coverage": known(members.coverage[at]) or 0.0,
        "basis": BASIS_WORDS[int(members.basis[at])],
        "eligible": why_not == 0,
        "why_not": WHY_NOT_WORDS[why_not],
        "flags": words_of_marks(int(members.marks[at[:2]]), int(members.basis[at]), at[2]),
    }


def known(figure: np.floating[Any]) -> float | None:
    """A figure, None where it is unknown; one of single precision without the digits that it does not have."""
    if not np.isfinite(figure):
        return None
    return float(figure) if figure.dtype == np.float64 else float(f"{figure:.7g}")
