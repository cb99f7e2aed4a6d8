"""Where the findings of each team stood after its last decided window, so as not to read it from windows again.

This is a memory, never the truth: a team that is not remembered at just the wanted window has
its state rebuilt from kept windows and findings, and nobody can tell the difference.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from service.rules.events import Key, Noticed
from service.rules.severity import Depth
from service.rules.state import LifeState, Memory
from service.storage.inventory import Placed
from service.terms import UNKNOWN


class Lives:
    """States by team, as rows of the arrays in which they were left.

    `reached_ms` says of a team by when each of its members was read again after the last decided
    window: a sample after that neither ends nor cuts an interval that began before that window's end.
    """

    def __init__(self) -> None:
        self._rows: dict[int, tuple[LifeState, int]] = {}
        self._members: dict[int, bytes] = {}
        self._noticed: dict[Key, int] = {}
        self.reached_ms: dict[int, int] = {}

    def forget(self) -> None:
        """Forget all: somebody else may have evaluated in between."""
        self._rows.clear()
        self._members.clear()
        self._noticed.clear()
        self.reached_ms.clear()

    def remember(self, placed: Placed, life: LifeState) -> None:
        """Remember the state of teams, in their order."""
        self._noticed.update(life.noticed.last_ms)
        self._members.update(_members_of(placed))
        for row, team_id in enumerate(placed.team_ids.tolist()):
            self._rows[team_id] = (life, row)

    def notice(self, said_ms: Mapping[Key, int]) -> None:
        """Take in when lasting conditions were last told, as far as more is not known."""
        self._noticed = {**said_ms, **self._noticed}

    def aware(self, life: LifeState) -> LifeState:
        """A state that knows what was noticed of the sources, so that what lasts is not told again."""
        return replace(life, noticed=Noticed(dict(self._noticed), life.noticed.streaks))

    def drop(self, team_ids: Sequence[int]) -> None:
        """Forget these teams."""
        for team_id in team_ids:
            self._rows.pop(team_id, None)
            self._members.pop(team_id, None)
            self.reached_ms.pop(team_id, None)

    def recall(self, placed: Placed, slot: int) -> LifeState | None:
        """The state of the teams before a window, or None where any of them is not remembered just there.

        Members are remembered by position, so a team that has others by now is not remembered.
        """
        same = (self._members.get(team_id) == members for team_id, members in _members_of(placed).items())
        if not all(same):
            return None
        known = [self._rows.get(team_id) for team_id in placed.team_ids.tolist()]
        found = [entry for entry in known if entry is not None and entry[0].next_slot in (slot, UNKNOWN)]
        return self.aware(_joined(found, slot)) if len(found) == len(known) else None


def _members_of(placed: Placed) -> dict[int, bytes]:
    """The ids of each team's ports by position, as octets to compare, by the team's id."""
    seats = placed.layout.members
    ids = np.where(seats == UNKNOWN, UNKNOWN, placed.port_ids[seats])
    return {team_id: row.tobytes() for team_id, row in zip(placed.team_ids.tolist(), ids, strict=True)}


def _joined(entries: Sequence[tuple[LifeState, int]], slot: int) -> LifeState:
    """Rows of several states as one state, in the order given."""
    sources = {id(life): life for life, _ in entries}
    places = {key: np.flatnonzero([id(life) == key for life, _ in entries]) for key in sources}
    rows = np.array([row for _, row in entries], dtype=np.intp)
    if len(sources) == 1:
        life = entries[0][0]
        if np.array_equal(rows, np.arange(len(life.memory.codes))):
            return life
    memory = [_gathered([life.memory[c] for life in sources.values()], list(places.values()), rows) for c in _COLUMNS]
    depth = [_gathered([life.depth[c] for life in sources.values()], list(places.values()), rows) for c in _DEPTHS]
    return LifeState(Memory._make(memory), Depth._make(depth), slot)


_COLUMNS = range(len(Memory._fields))
_DEPTHS = range(len(Depth._fields))


def _gathered(columns: Sequence[np.ndarray], places: Sequence[np.ndarray], rows: np.ndarray) -> np.ndarray:
    out = np.empty((len(rows), *columns[0].shape[1:]), dtype=columns[0].dtype)
    for column, at in zip(columns, places, strict=True):
        out[at] = column[rows[at]]
    return out
