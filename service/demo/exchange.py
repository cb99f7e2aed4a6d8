"""The Brackenhythe Freight Exchange, invented: its sites, hosts and teams.

Two sites: Saltmere (sm-01 to sm-16) and Upper Wend (uw-01 to uw-08). Every host has a team
*front* of 2 x 1 Gbit/s and a team *store* of 2 x 10 Gbit/s; the hosts at Saltmere have a team
*shift* of 2 x 25 Gbit/s as well: 64 teams, 128 members.
"""

from __future__ import annotations

from dataclasses import dataclass

GIGABIT = 1_000_000_000
MEMBERS = 2  # every team of the exchange has two

SALTMERE = tuple(f"sm-{number:02d}" for number in range(1, 17))
UPPER_WEND = tuple(f"uw-{number:02d}" for number in range(1, 9))
HOSTS = SALTMERE + UPPER_WEND


@dataclass(frozen=True)
class Team:
    """A team of two equal members: where it is, how fast a member is, who picks the member."""

    device: str
    name: str
    ports: tuple[str, ...]
    speed_bps: int
    method: str
    bundle: str


def _front(device: str) -> Team:
    ports = ("m1", "m2")
    if device in UPPER_WEND:
        return Team(device, "front", ports, GIGABIT, "layer4-tuple", "lacp")
    method = "active-standby" if device == "sm-09" else "virtual-port"
    return Team(device, "front", ports, GIGABIT, method, "none")


def _teams_of(device: str) -> tuple[Team, ...]:
    store = Team(device, "store", ("m3", "m4"), 10 * GIGABIT, "ip-pair", "lacp")
    shift = Team(device, "shift", ("m5", "m6"), 25 * GIGABIT, "source-mac", "none")
    return (_front(device), store, shift) if device in SALTMERE else (_front(device), store)


TEAMS = tuple(team for device in HOSTS for team in _teams_of(device))


def position_of(device: str, name: str) -> int:
    """Where a team stands in TEAMS; its members' ports follow each other from MEMBERS times that."""
    return next(at for at, team in enumerate(TEAMS) if (team.device, team.name) == (device, name))
