"""The past as the database keeps it: windows as they were decided, or samples where they are still there."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from typing import Protocol

from sqlalchemy import Connection, Engine

from service.replaying.history import Past
from service.rules.reaching import reach
from service.storage import database, facts, inventory, samples, windows
from service.storage.inventory import Placed
from service.terms import Bytes, FactsTable, Ints, Layout, Samples, Span

# A day of so many teams is some 200 MB of samples while it is read.
TEAMS_AT_ONCE = 20
TEAMS_OF_WINDOWS_AT_ONCE = 200


class Said(Protocol):
    """What people declared of the ports of a layout."""

    @property
    def far_bps(self) -> Ints:
        """The speeds that far ends tell, in bit/s."""

    def roles(self, samples: Samples, facts: FactsTable) -> Bytes:
        """The roles that count against what these samples tell."""


@dataclass(frozen=True)
class Setting:
    """What is set of the ports of a layout, beside what they tell: speeds in bit/s, and what was declared."""

    speeds: Callable[[Layout], Ints]
    declared: Callable[[Connection, Layout], Said]


@dataclass(frozen=True)
class KeptWindows:
    """Some teams whose windows are decided anew from what was measured then; nothing is measured again."""

    engine: Engine
    placed: Placed

    @property
    def layout(self) -> Layout:
        """The teams."""
        return self.placed.layout

    def past(self, span: Span) -> Past:
        """The windows of a stretch."""
        with database.reading(self.engine) as connection:
            kept = windows.read_many(connection, self.placed.team_ids, span.first_ms, span.end_ms, span.width_ms)
        return Past(Samples.none(), FactsTable.of([]), members=windows.by_layout(kept, self.placed))


@dataclass(frozen=True)
class KeptSamples:
    """Some devices whose samples are measured again, with what is set of their ports now."""

    engine: Engine
    placed: Placed
    setting: Setting

    @property
    def layout(self) -> Layout:
        """The teams."""
        return self.placed.layout

    def past(self, span: Span) -> Past:
        """The samples that bear on a stretch."""
        return read(self.engine, self.placed, self.setting, reach(span))


def read(engine: Engine, placed: Placed, setting: Setting, between_ms: tuple[int, int]) -> Past:
    """The samples of teams within a time, half-open, and what is set of their ports."""
    with database.reading(engine) as connection:
        found, table = facts.pointed(connection, samples.between(connection, placed.port_ids, *between_ms))
        said = setting.declared(connection, placed.layout)
    return Past(found, table, setting.speeds(placed.layout), said.far_bps, said.roles(found, table))


@dataclass(frozen=True)
class Choice:
    """Of which teams, as many at a time as `teams_at_once`: of all devices, or of those named."""

    devices: Collection[str] = field(default=())
    teams_at_once: int = TEAMS_AT_ONCE


def placed_of(engine: Engine, choice: Choice) -> Iterator[Placed]:
    """Whole devices with their teams, some at a time: a device's ports tell together when it was read."""
    with database.reading(engine) as connection:
        some = list(_sliced(inventory.layout(connection), choice))
        placed = [inventory.layout(connection, ids) for ids in some]
    yield from placed


def _sliced(whole: Placed, choice: Choice) -> Iterator[list[int]]:
    ids: list[int] = []
    for team_ids in _by_device(whole, choice.devices):
        if ids and len(ids) + len(team_ids) > choice.teams_at_once:
            yield ids
            ids = []
        ids = ids + team_ids
    if ids:
        yield ids


def _by_device(whole: Placed, devices: Collection[str]) -> Iterator[list[int]]:
    teams: dict[str, list[int]] = {}
    for team, team_id in zip(whole.layout.teams, whole.team_ids.tolist(), strict=True):
        if not devices or team.device in devices:
            teams.setdefault(team.device, []).append(team_id)
    yield from teams.values()
