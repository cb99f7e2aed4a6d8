"""Members of a team as they are now: role, speed and where it is from, far end, and figures of the last window."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from service.evaluation import standing
from service.evaluation.standing import Standing
from service.pages.team_now import Now
from service.pages.team_speeds import Speed, speeds
from service.pages.working import address
from service.storage import claims
from service.storage.claims import Place
from service.storage.inventory import Team
from service.terms import ROLE_WORDS
from service.web.services import Services

NOT_TOLD = "not told, taken as active"


@dataclass(frozen=True)
class Load:
    """A member in one direction of the last window: its share, None where unknown, and why nothing may move to it."""

    direction: str
    utilisation: float | None
    why_not: str
    flags: tuple[str, ...]
    working: str


@dataclass(frozen=True)
class Member:
    """A member as it is now; `conflict` says where people and its device disagree, and who is believed."""

    port: str
    speed: Speed
    role: str
    far_end: str
    alias: str
    conflict: str
    missing: bool
    loads: tuple[Load, ...]


@dataclass(frozen=True)
class Members:
    """Members by position, and who owns them and where they are, as people declared it, each once."""

    each: tuple[Member, ...]
    owners: tuple[str, ...]
    sites: tuple[str, ...]


def members(connection: Connection, services: Services, team: Team, last: Sequence[Now]) -> Members:
    """The members of a team, with their figures in its last window."""
    stand = standing.of(connection, [(team.device, port) for port in team.members], services.now_ms())
    far = claims.far_ends(connection, [team.device])
    known = speeds(connection, services, team, last)
    each = tuple(_member(team, one, far, known[one.believed.port], last) for one in stand)
    return Members(each, _said(stand, "owner"), _said(stand, "site"))


def _member(team: Team, stands: Standing, far: Mapping[Place, Place], speed: Speed, last: Sequence[Now]) -> Member:
    believed = stands.believed
    return Member(
        port=believed.port,
        speed=speed,
        role=ROLE_WORDS[believed.role] or NOT_TOLD,
        far_end=" ".join(far.get((team.device, believed.port), ())),
        alias=believed.discovered.alias if believed.discovered else "",
        conflict=believed.conflict,
        missing=stands.missing,
        loads=tuple(_load(team, window, believed.port) for window in last),
    )


def _load(team: Team, window: Now, port: str) -> Load:
    told = next((one for one in window.members if one["port"] == port), None)
    if told is None:
        return Load(window.direction, None, "not a member then", (), "")
    working = address(team.id, port, window.direction, window.start_ms)
    flags = tuple(flag for flag in told["flags"] if flag not in told["why_not"])  # "standby by design, standby"
    return Load(window.direction, told["utilisation"], told["why_not"], flags, working)


def _said(stand: Iterable[Standing], what: str) -> tuple[str, ...]:
    said = {getattr(one.believed.declared, what) for one in stand if one.believed.declared is not None}
    return tuple(sorted(said - {""}))
