"""What LACP says of members: both ends' states, who is at the other end, and whether that carries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.feeds.snmp import lacp, oids
from service.feeds.snmp.cells import hardware_address, octets
from service.feeds.snmp.membership import Membership
from service.feeds.snmp.tables import Tables
from service.terms import LacpState, Role
from service.terms.discovered import NO_STATE, BundleState

LACP, STATIC = "lacp", "static"
_ZERO = b"\0"


@dataclass(frozen=True)
class States:
    """The bundle state of each member by ifIndex, and what deviates from the standards."""

    of_port: Mapping[int, BundleState]
    partnered: frozenset[int]  # members of aggregators that know a partner
    notes: tuple[str, ...]

    def role_of(self, port: int) -> Role:
        """Active where the port carries by both ends' word, or where nobody says anything of states."""
        state = self.of_port.get(port, NO_STATE)
        told = [LacpState(one) for one in (state.actor, state.partner) if one is not None]
        known = port in self.partnered
        return Role.ACTIVE if all(lacp.is_in_use(one, partner_known=known) for one in told) else Role.OUT


def states_of(tables: Tables, found: Membership) -> States:
    """The bundle states of all members."""
    columns = (tables.column(oids.PORT_ACTOR_STATE), tables.column(oids.PORT_PARTNER_STATE))
    told = [octets(column[port]) for column in columns for port in found.seats if port in column]
    mirrored = lacp.told_as_on_the_wire(told)
    notes = ["states of LACP are told in the order of the LACPDU, not as BITS; read so"] if mirrored else []
    if any(len(one) != 1 for one in told):
        notes.append("some states of LACP are not one octet long: taken as not told")
    if _ZERO in told:
        notes.append("some states of LACP are 00 for ports that have an aggregator: taken as not told")
    of_port = {port: _state(tables, port, found.seats[port].aggregator, mirrored) for port in found.seats}
    partnered = {found.seats[port].aggregator for port, state in of_port.items() if state.partner_system}
    return States(of_port, frozenset(p for p in found.seats if found.seats[p].aggregator in partnered), tuple(notes))


def bundle_of(states: States, members: Iterable[int]) -> str:
    """How the far end is known to be built: by LACP where it told its identity, by hand otherwise."""
    return LACP if any(port in states.partnered for port in members) else STATIC


def _state(tables: Tables, port: int, aggregator: int, mirrored: bool) -> BundleState:
    system = hardware_address(tables.column(oids.PORT_PARTNER_SYSTEM).get(port))
    key = _sixteen(tables.number(oids.PORT_PARTNER_KEY, port))
    if not system and port in tables.column(oids.PORT_ATTACHED):
        system = hardware_address(tables.column(oids.AGG_PARTNER_SYSTEM).get(aggregator))
        key = key or _sixteen(tables.number(oids.AGG_PARTNER_KEY, aggregator))
    return BundleState(
        actor=_one(octets(tables.column(oids.PORT_ACTOR_STATE).get(port)), mirrored),
        partner=_one(octets(tables.column(oids.PORT_PARTNER_STATE).get(port)), mirrored),
        partner_system=system,
        partner_key=key,
        partner_port=_sixteen(tables.number(oids.PORT_PARTNER_PORT, port)),
    )


def _sixteen(number: int) -> int:
    """A key or port number as an LACPDU has it, in 16 bits; 0 for what cannot be one."""
    return number if 0 <= number <= 0xFFFF else 0


def _one(told: bytes, mirrored: bool) -> int | None:
    if len(told) != 1 or told == _ZERO:
        return None
    state = lacp.from_octet(told[0]) if mirrored else lacp.from_bits(told)
    return None if state is None else int(state)
