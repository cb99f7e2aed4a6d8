"""Who is a member of which aggregator, by the tables an agent has: the LAG MIB first, then the interface stack."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from service.feeds.snmp import oids, port_list
from service.feeds.snmp.cells import octets
from service.feeds.snmp.tables import Tables
from service.terms import OperStatus

ATTACHED, SELECTED, PORT_LIST, STACK = "attached aggregator", "selected aggregator", "port list", "interface stack"


class Seat(NamedTuple):
    """Whose member a port is: its aggregator's ifIndex, and where that was read."""

    aggregator: int
    said_by: str


@dataclass
class Membership:
    """The seats found so far, by the ports' ifIndex, and what deviates from the standards."""

    tables: Tables
    seats: dict[int, Seat] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def aggregators(self) -> set[int]:
        """The aggregators that have members."""
        return {seat.aggregator for seat in self.seats.values()}

    def members(self) -> dict[int, list[int]]:
        """The members of each aggregator, in order of index."""
        found: dict[int, list[int]] = {}
        for port in sorted(self.seats):
            found.setdefault(self.seats[port].aggregator, []).append(port)
        return found

    def take(self, port: int, seat: Seat) -> None:
        """Seat a port, unless it is none that could be a member or has a better seat."""
        if port not in self.seats:
            self.seats[port] = seat


def membership(tables: Tables) -> Membership:
    """The members of all aggregators of a device."""
    found = Membership(tables)
    _by_lacp(found)
    _by_port_list(found)
    _by_stack(found)
    aggregators = found.aggregators()
    for port in sorted(found.seats.keys() & aggregators):
        del found.seats[port]
        found.notes.append(f"interface {port} is an aggregator and yet a member of another one; not taken as a member")
    return found


def may_be_member(tables: Tables, port: int) -> bool:
    """Whether an interface has a row and is none that carries others' traffic once more."""
    kind = tables.number(oids.IF_TYPE, port)
    return kind > 0 and kind not in oids.VIRTUAL


def _by_lacp(found: Membership) -> None:
    tables = found.tables
    attached, selected = tables.column(oids.PORT_ATTACHED), tables.column(oids.PORT_SELECTED)
    for port in sorted(attached.keys() | selected.keys()):
        to, said_by = tables.number(oids.PORT_ATTACHED, port), ATTACHED
        if not to:
            to, said_by = tables.number(oids.PORT_SELECTED, port), SELECTED
        if to == port:
            found.notes.append(f"interface {port} is its own aggregator: a link of its own, no team")
        elif to and may_be_member(tables, port):
            found.take(port, Seat(to, said_by))
        elif to:
            found.notes.append(f"interface {port} is attached to aggregator {to}, but can be no member; left out")


def _by_port_list(found: Membership) -> None:
    """The port lists of aggregators that no port names; for the others they are only compared."""
    members = found.members()
    lists = {index: octets(value) for index, value in sorted(found.tables.column(oids.AGG_PORT_LIST).items())}
    texts = port_list.texts_among(lists.values())
    written = [index for index, told in lists.items() if told in texts]
    if written:
        shown = ", ".join(lists[index].decode("ascii").strip(", ") for index in written[:3])[:60]
        found.notes.append(f"port lists of {len(written)} aggregators are text ({shown}), not bits; not used")
    for aggregator in lists.keys() - written:
        ports = port_list.ports_of(lists[aggregator])
        if aggregator in members:
            _compare(found, aggregator, len(lists[aggregator]), set(ports))
        else:
            _take_listed(found, aggregator, ports)


def _compare(found: Membership, aggregator: int, length: int, listed: set[int]) -> None:
    members = {port for port, seat in found.seats.items() if seat == Seat(aggregator, ATTACHED)}
    beyond = sorted(port for port in members if port > 8 * length)
    if beyond:
        ports = ", ".join(map(str, beyond))
        found.notes.append(f"the port list of aggregator {aggregator} is too short for its members {ports}")
    elif members != listed:
        found.notes.append(f"the port list of aggregator {aggregator} differs from the ports attached to it")


def _take_listed(found: Membership, aggregator: int, ports: tuple[int, ...]) -> None:
    wrong = [port for port in ports if port == aggregator or not may_be_member(found.tables, port)]
    if wrong:
        text = f"the port list of aggregator {aggregator} names {wrong[0]}, which can be no member; not used"
        found.notes.append(text)
        return
    for port in ports:
        found.take(port, Seat(aggregator, PORT_LIST))


def _by_stack(found: Membership) -> None:
    for higher, lower in sorted(found.tables.stack.items()):
        ports = [port for port in lower if found.tables.number(oids.IF_TYPE, port) in oids.ETHERNETS]
        if not ports or higher in found.aggregators():
            continue
        if _is_aggregator(found, higher, ports, len(lower)):
            for port in ports:
                found.take(port, Seat(higher, STACK))


def _is_aggregator(found: Membership, higher: int, ports: list[int], below: int) -> bool:
    """Whether what lies on top of ports is a team of them.

    Only type 161 says so. Others (53, and 6 on some devices) are believed with two ports or more
    and exactly their speed, or where the LAG MIB has an aggregator of that index: VLANs, too,
    are of type 53 and lie on top of many ports.
    """
    kind = found.tables.number(oids.IF_TYPE, higher)
    if kind == oids.LAG:
        return True
    backed = higher in found.tables.column(oids.AGG_PORT_LIST) or higher in found.tables.column(oids.AGG_PARTNER_KEY)
    if kind not in (oids.PROP_VIRTUAL, oids.ETHERNET):
        return False
    if not backed and not (below == len(ports) > 1 and _is_sum(found.tables, higher, ports)):
        if kind == oids.PROP_VIRTUAL:
            found.notes.append(_no_team(found.tables, higher, len(ports)))
        return False
    return True


def _is_sum(tables: Tables, higher: int, ports: list[int]) -> bool:
    speed = tables.speed_bps(higher)
    return speed > 0 and speed in set(_sums(tables, ports))


def _sums(tables: Tables, ports: list[int]) -> Iterator[int]:
    yield sum(tables.speed_bps(port) for port in ports)
    up = [port for port in ports if tables.number(oids.IF_OPER_STATUS, port) == OperStatus.UP]
    yield sum(tables.speed_bps(port) for port in up)  # a team with a member down has the speed of the others


def _no_team(tables: Tables, higher: int, count: int) -> str:
    megabits = tables.speed_bps(higher) // 1_000_000
    return (
        f"interface {higher} of type 53 lies on top of {count} ports without having their speed"
        f" ({megabits} Mbit/s): not taken as a team"
    )
