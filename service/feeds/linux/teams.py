"""The teams of a host: bonds, masters of the team driver, and interfaces that share equal-cost routes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.feeds.linux import bonding, routes
from service.feeds.linux.interfaces import Sort, sort_of
from service.feeds.linux.routes import MultipathRoute
from service.feeds.linux.tree import HostTree, Interface

MOST_MEMBERS = 8  # as many as a team of the service may have
UNKNOWN = "unknown"


@dataclass(frozen=True)
class Member:
    """A port of a team; `role` is empty where nobody says."""

    port: str
    role: str = ""


@dataclass(frozen=True)
class HostTeam:
    """A team of the host: its name, its members, how it distributes and what must stand at the far end."""

    name: str
    members: tuple[Member, ...]
    method: str = UNKNOWN
    bundle: str = ""


@dataclass(frozen=True)
class Found:
    """The teams of a host, and in words what was left out and why."""

    teams: tuple[HostTeam, ...]
    notes: tuple[str, ...] = ()


def teams_of(tree: HostTree, multipath: Sequence[MultipathRoute] = ()) -> Found:
    """Every team of a host; a port in a bond belongs to the bond, and to no route."""
    notes = [f"the interface {name} has a name that is not UTF-8; left out" for name in tree.unnamed]
    sorts = {name: sort_of(interface, tree) for name, interface in tree.interfaces.items()}
    made = [
        _team(tree.interfaces[name], sorts, tree) for name in sorted(sorts, key=routes.natural) if _leads(sorts, name)
    ]
    kept = [team for team in made if _fits(team, notes)]
    ports = {name for name, sort in sorts.items() if sort is Sort.PORT}
    free = ports - {member.port for team in made for member in team.members}
    routed = _routed(tree, multipath, free, notes)
    return Found((*kept, *(team for team in routed if _fits(team, notes))), tuple(notes))


def _leads(sorts: dict[str, Sort], name: str) -> bool:
    return sorts[name] in (Sort.BOND, Sort.TEAM)


def _team(leader: Interface, sorts: dict[str, Sort], tree: HostTree) -> HostTeam:
    return _bond(leader, sorts, tree) if sorts[leader.name] is Sort.BOND else _led(leader, sorts, tree)


def _bond(bond: Interface, sorts: dict[str, Sort], tree: HostTree) -> HostTeam:
    mode = bonding.mode(bond, tree)
    ports = _ports(bonding.slaves(bond, tree), sorts)
    members = tuple(Member(port, bonding.role(bond, tree.interfaces[port], tree)) for port in ports)
    return HostTeam(bond.name, members, bonding.method(mode, bonding.hash_policy(bond, tree)), bonding.bundle(mode))


def _led(leader: Interface, sorts: dict[str, Sort], tree: HostTree) -> HostTeam:
    """A master of the team driver, which tells its method to programs of its own only."""
    linked = [one.name for one in tree.interfaces.values() if one.master == leader.name]
    return HostTeam(leader.name, tuple(Member(port) for port in _ports([*leader.lowers, *linked], sorts)))


def _ports(names: Iterable[str], sorts: dict[str, Sort]) -> list[str]:
    return sorted({name for name in names if sorts.get(name) is Sort.PORT}, key=routes.natural)


def _fits(team: HostTeam, notes: list[str]) -> bool:
    if len(team.members) > MOST_MEMBERS:
        notes.append(f"{team.name} has {len(team.members)} ports, more than the {MOST_MEMBERS} of a team; left out")
    elif not team.members:
        notes.append(f"{team.name} has no port; left out")
    return 0 < len(team.members) <= MOST_MEMBERS


def _routed(tree: HostTree, multipath: Sequence[MultipathRoute], free: set[str], notes: list[str]) -> list[HostTeam]:
    """Teams of ports that share a route; where groups overlap the largest comes first."""
    taken: set[str] = set()
    found: list[HostTeam] = []
    for devices in sorted({route.devices for route in multipath}, key=lambda names: (-len(names), names)):
        shared = [route for route in multipath if route.devices == devices]
        why_not = _why_not(shared, devices, free, taken)
        if why_not:
            notes.append(f"the route over {', '.join(devices)} is no team: {why_not}")
            continue
        taken.update(devices)
        found.append(
            HostTeam("+".join(devices), tuple(Member(port) for port in devices), _method(tree, shared), "none")
        )
    return found


def _why_not(shared: Sequence[MultipathRoute], devices: tuple[str, ...], free: set[str], taken: set[str]) -> str:
    bound = [name for name in devices if name not in free]
    if bound:
        return f"{', '.join(bound)} is no port, or belongs to a bond"
    if not all(route.is_equal for route in shared):
        return "its next hops have different weights"
    both = [name for name in devices if name in taken]
    return f"{', '.join(both)} shares another route" if both else ""


def _method(tree: HostTree, shared: Sequence[MultipathRoute]) -> str:
    """The method where all families that share these ports agree."""
    said = {routes.method(tree.sysctl, route.family) for route in shared}
    return said.pop() if len(said) == 1 else UNKNOWN
