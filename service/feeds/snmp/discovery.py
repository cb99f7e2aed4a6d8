"""What a walk of standard tables says of a device's ports and teams."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.feeds.snmp import bundles, naming, oids
from service.feeds.snmp.cells import hardware_address, text
from service.feeds.snmp.counting import COUNTED
from service.feeds.snmp.membership import SELECTED, Membership, may_be_member, membership
from service.feeds.snmp.tables import SATURATED, Tables
from service.terms import DISCOVERED, MOST_MEMBERS, Claim, Discovered, DiscoveredPort, OperStatus, Role
from service.terms.discovered import NO_STATE, BundleState

_DESCRIBED = (
    oids.SYS_UPTIME,
    oids.IF_TABLE_LAST_CHANGE,
    oids.IF_STACK_LAST_CHANGE,
    oids.LAG_TABLES_LAST_CHANGED,
    oids.IF_DESCR,
    oids.IF_TYPE,
    oids.IF_MTU,
    oids.IF_PHYS_ADDRESS,
    oids.IF_NAME,
    oids.IF_ALIAS,
    oids.DUPLEX,
    oids.IF_STACK_STATUS,
    oids.AGG_PARTNER_SYSTEM,
    oids.AGG_PARTNER_KEY,
    oids.AGG_PORT_LIST,
    oids.PORT_PARTNER_SYSTEM,
    oids.PORT_PARTNER_KEY,
    oids.PORT_SELECTED,
    oids.PORT_ATTACHED,
    oids.PORT_PARTNER_PORT,
    oids.PORT_ACTOR_STATE,
    oids.PORT_PARTNER_STATE,
)
# What to walk: what ports and teams are, and which counters there are to poll.
WALKED: tuple[str, ...] = (*_DESCRIBED, *COUNTED)
MOST_NOTES = 50


@dataclass(frozen=True)
class _Team:
    name: str
    aggregator: int
    members: tuple[int, ...]


def discovered(device: str, rows: Mapping[str, Any]) -> Discovered:
    """The ports and teams of a device, by the rows of a walk of `WALKED`."""
    tables = Tables.of(rows)
    found = membership(tables)
    teams = _teams(found)
    states = bundles.states_of(tables, found)
    shown = [index for index in tables.interfaces() if index in found.aggregators() or may_be_member(tables, index)]
    names, doubles = naming.names_of(tables, shown, "if")
    seated = {port: team for team in teams for port in team.members}
    aggregates = {team.aggregator: team.name for team in teams}
    ports = tuple(
        _port(tables, index, names[index], _place(index, seated, aggregates, found, states)) for index in shown
    )
    return Discovered(
        device=device,
        ports=ports,
        notes=_bounded(list(dict.fromkeys((*states.notes, *_speeds(tables, ports), *found.notes, *doubles)))),
        bundles=tuple((team.name, bundles.bundle_of(states, team.members)) for team in teams),
    )


def claims_of(found: Discovered) -> tuple[Claim, ...]:
    """What the device says of each of its ports, to be held against what people declared."""
    return tuple(
        Claim(
            device=found.device,
            port=port.port,
            said_by=DISCOVERED,
            team=port.team,
            role=port.role,
            aggregate_of=port.aggregate_of,
            if_index=port.if_index,
            mac=port.mac,
            state=port.state,
            alias=port.alias,
            source=port.said_by,
        )
        for port in found.ports
    )


def _teams(found: Membership) -> list[_Team]:
    members = found.members()
    names, doubles = naming.names_of(found.tables, members, "lag")
    found.notes += doubles
    teams = []
    for aggregator, ports in members.items():
        name = names[aggregator]
        if aggregator not in found.tables.interfaces():
            found.notes.append(f"aggregator {aggregator} of {len(ports)} ports has no row among the interfaces")
        if len(ports) > MOST_MEMBERS:
            found.notes.append(f"{name} has {len(ports)} members, more than the {MOST_MEMBERS} of a team; left out")
            continue
        if len(ports) == 1:
            found.notes.append(f"{name} has a single member: nothing to be shared out")
        teams.append(_Team(name, aggregator, tuple(ports)))
    return teams


@dataclass(frozen=True)
class _Place:
    """Where a port stands among the teams."""

    team: str = ""
    role: Role = Role.NOT_TOLD
    aggregate_of: str = ""
    said_by: str = ""
    state: BundleState = NO_STATE


def _place(
    index: int, seated: Mapping[int, _Team], aggregates: Mapping[int, str], found: Membership, states: bundles.States
) -> _Place:
    if index in aggregates:
        return _Place(aggregate_of=aggregates[index])
    if index not in seated:
        return _Place()
    said_by = found.seats[index].said_by
    role = Role.OUT if said_by == SELECTED else states.role_of(index)
    return _Place(seated[index].name, role, said_by=said_by, state=states.of_port.get(index, NO_STATE))


def _port(tables: Tables, index: int, name: str, place: _Place) -> DiscoveredPort:
    return DiscoveredPort(
        port=name,
        if_index=index,
        team=place.team,
        role=place.role,
        aggregate_of=place.aggregate_of,
        mac=hardware_address(tables.column(oids.IF_PHYS_ADDRESS).get(index)),
        speed_bps=tables.speed_bps(index),
        mtu=max(tables.number(oids.IF_MTU, index), 0),
        oper=oper_of(tables.number(oids.IF_OPER_STATUS, index)),
        alias=text(tables.column(oids.IF_ALIAS).get(index)),
        description=text(tables.column(oids.IF_DESCR).get(index)),
        said_by=place.said_by,
        state=place.state,
    )


def oper_of(number: int) -> OperStatus:
    """An operational state, not told where the number is none that RFC 2863 knows."""
    return OperStatus(number) if 0 <= number <= max(OperStatus) else OperStatus.NOT_TOLD


def _bounded(notes: list[str]) -> tuple[str, ...]:
    """As many notes as somebody reads; an agent decides how much in its tables is odd."""
    more = len(notes) - MOST_NOTES
    return tuple(notes) if more <= 0 else (*notes[:MOST_NOTES], f"and {more} more of this sort")


def _speeds(tables: Tables, ports: tuple[DiscoveredPort, ...]) -> list[str]:
    """Ports whose two speeds contradict each other."""
    apart = [port.port for port in ports if _are_apart(tables, port.if_index)]
    swapped = [port.port for port in ports if tables.tells_bits_as_megabits(port.if_index)]
    notes = []
    if apart:
        notes.append(f"{_some(apart)} tell two speeds at once, in bit/s and in Mbit/s: the latter is taken")
    if swapped:
        notes.append(f"{_some(swapped)} tell bit/s where Mbit/s belong: read so")
    return notes


def _are_apart(tables: Tables, index: int) -> bool:
    low, high = tables.number(oids.IF_SPEED, index), tables.number(oids.IF_HIGH_SPEED, index)
    if low <= 0 or high <= 0 or low == SATURATED or tables.tells_bits_as_megabits(index):
        return False
    return abs(low - high * 1_000_000) > 500_000  # ifHighSpeed is rounded (RFC 2863 section 3.1.7)


def _some(names: list[str]) -> str:
    """The first of many names, and how many more there are."""
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return ", ".join(names[:3]) + more
