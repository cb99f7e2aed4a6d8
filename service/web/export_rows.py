"""What kept things are as rows of a table: the same figures as in their lists, a member or a team a row."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any

from sqlalchemy import Connection

from service.exports.parquet import Column, Kind
from service.storage import changes, findings, inventory, rosters
from service.storage.findings import Filters
from service.storage.inventory import Team
from service.storage.rosters import Roster
from service.web import figures, stretches
from service.web.changes import shown
from service.web.findings import told
from service.web.parameters import MOST_A_PAGE
from service.web.services import Services
from service.web.stretches import Stretch
from service.webhooks.fields import instant

Rows = Iterator[dict[str, Any]]
WINDOWS_AT_ONCE = 480


def _columns(**kinds: str) -> tuple[Column, ...]:
    """Columns by what they hold, in this order."""
    return tuple(Column(name, Kind[kind.upper()]) for kind, names in kinds.items() for name in names.split())


FINDINGS = _columns(
    text="id device team direction family kind severity state operator_state operator peak_port basis owner diagnosis"
    " confidence decided_by advice rule_note change part_of hot_ports idle_ports text",
    instant="since_at raised_at cleared_at updated_at peak_at hot_until_at",
    figure="peak even_split imbalance discard_ratio",
    count="team_id usable_bps stranded_bps room_bps windows_seen windows_evaluable windows_flagged recurrences",
    truth="unverified uncertain",
)
TEAMS = _columns(text="device team method bundle port", count="team_id position", instant="decided_at")
WINDOWS = _columns(
    text="device team direction port kind basis why_not flags",
    instant="start",
    figure="utilisation lower upper coverage even_split imbalance busiest_share one_lost",
    count="restated",
    truth="evaluable eligible",
)
ROLLUPS = _columns(text="device team direction port", instant="start", figure="mean peak hot_seconds coverage")
CHANGES = _columns(
    text="id device team direction what who reference kind created_by outcome text",
    instant="at after_begins_at created_at verdict_at could_tell_at",
    figure="settle_seconds difference low high load_ratio",
    count="team_id",
    truth="final",
)
ITEMS = _columns(
    text="device team direction port kind name source destination source_mac destination_mac",
    instant="from_at to_at",
    count="bps parts protocol source_port destination_port",
)


@dataclass(frozen=True)
class Asked:
    """Where rows come from."""

    connection: Connection
    services: Services


def of_findings(asked: Asked, wanted: Filters) -> Rows:
    """A finding a row, the last raised first."""
    cursor: str | None = None
    while True:
        page = findings.listing(asked.connection, wanted, cursor, MOST_A_PAGE)
        for kept in page.items:
            row = told(kept)
            yield row | {f"{name}_ports": _joined(row[name]) for name in ("hot", "idle")}
        if (cursor := page.cursor) is None:
            return


def of_teams(asked: Asked, device: str | None) -> Rows:
    """A member a row, by team and position; a team without members once."""
    cursor: str | None = None
    while True:
        page = inventory.teams(asked.connection, device=device, cursor=cursor, limit=MOST_A_PAGE)
        for team in page.items:
            yield from _members(team)
        if (cursor := page.cursor) is None:
            return


def of_windows(asked: Asked, team: Team, stretch: Stretch) -> Rows:
    """A member in a window and direction a row, by time."""
    policy = asked.services.policy
    found = rosters.of_windows(asked.connection, team.id, stretch.from_ms, stretch.to_ms, policy.width_ms)
    showing = figures.Showing(asked.connection, team, policy)
    for some in _parts(found):
        for stay in stretches.page(some, len(some))[0]:
            for window in showing.windows(stay, stretch.ways):
                for member in window["members"]:
                    yield window | member | {"flags": " ".join(member["flags"])}


def of_rollups(asked: Asked, team: Team, stretch: Stretch) -> Rows:
    """A member in five minutes and one direction a row, by time."""
    found = rosters.of_rollups(asked.connection, team.id, stretch.from_ms, stretch.to_ms)
    showing = figures.Showing(asked.connection, team, asked.services.policy)
    for some in _parts(found):
        for stay in stretches.page(some, len(some))[0]:
            for rolled in showing.rollups(stay, stretch.ways):
                for member in rolled["members"]:
                    yield rolled | member | {"device": team.device, "team": team.name}


def of_changes(asked: Asked, team_id: int | None, within: tuple[int | None, int | None]) -> Rows:
    """A team and direction of a change a row, the last made first."""
    cursor: str | None = None
    team_ids = None if team_id is None else [team_id]
    while True:
        page = changes.listing(asked.connection, team_ids, within, cursor=cursor, limit=MOST_A_PAGE)
        for change in page.items:
            whole = shown(asked.connection, change)
            for result in whole["teams"]:
                yield whole | (result["verdict"] or {}) | result
        if (cursor := page.cursor) is None:
            return


def of_items(answer: dict[str, Any]) -> Rows:
    """An item on a member a row, from the answer that a program would be given."""
    for member in answer["members"]:
        for item in member["items"]:
            yield answer | (item["endpoints"] or {}) | item | {"port": member["port"]}


def _members(team: Team) -> Rows:
    of_team = {"team_id": team.id, "device": team.device, "team": team.name, "method": team.method}
    of_team |= {"bundle": team.bundle, "decided_at": instant(team.decided_ms)}
    for position, port in enumerate(team.members):
        yield of_team | {"position": position, "port": port}
    if not team.members:
        yield of_team


def _parts(found: dict[int, Roster]) -> Iterator[dict[int, Roster]]:
    rest = iter(found.items())
    while some := dict(islice(rest, WINDOWS_AT_ONCE)):
        yield some


def _joined(members: list[dict[str, Any]]) -> str:
    return " ".join(member["port"] for member in members)
