"""What is said of the ports of a layout that bears on judging them: declared roles and far ends, states of bundles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection

from service.evaluation.plan import Policy
from service.rules import bundle_states
from service.storage import claims, heard
from service.storage.claims import Place
from service.terms import UNKNOWN, Bytes, FactsTable, Ints, Layout, Role, Samples

# A far end that has told nothing for longer is believed no more: its cable may have been moved.
BELIEVED_MS = 24 * 3_600_000
AWAY = (Role.STANDBY, Role.OUT)


class Declared(NamedTuple):
    """Of each port (n_ports,) the declared role and its far end's speed in bit/s, 0 where there is none.

    `overrides` has the roles that count whatever a port tells, `otherwise` those that count where it
    tells none. `far_ends` names the far ends whose speeds these are, by the position of the port.
    `broken` is what the states of their bundles say against ports, as positions in `bundle_states.NAMES`,
    0 of those that people declared to be out of use or on standby.
    """

    overrides: Bytes
    otherwise: Bytes
    far_bps: Ints
    far_ends: Mapping[int, str]
    broken: Bytes

    def roles(self, samples: Samples, facts: FactsTable) -> Bytes:
        """The roles that count against what these samples tell, (n_ports,), 0 where what they tell counts."""
        tells = np.zeros(len(self.otherwise), dtype=np.bool_)
        tells[samples.port[facts.role[samples.facts] != Role.NOT_TOLD]] = True
        assumed = np.where(tells, np.uint8(0), self.otherwise)
        return np.where(self.overrides > 0, self.overrides, assumed)


def of(connection: Connection, layout: Layout, policy: Policy, now_ms: int) -> Declared:
    """What was declared of the ports of a layout, as it is now."""
    at = {(port.device, port.port): position for position, port in enumerate(layout.ports)}
    overrides, otherwise = np.zeros(len(at), dtype=np.uint8), np.zeros(len(at), dtype=np.uint8)
    for device, port, team, role, override in claims.roles(connection, layout.devices):
        position = at.get((device, port))
        if position is None:
            continue
        if override:
            overrides[position] = role
        elif team in {"", layout.ports[position].team}:  # else it was meant for another team
            otherwise[position] = role
    far_bps, far_ends = np.zeros(len(at), dtype=np.int64), {}
    ends = {place: far for place, far in claims.far_ends(connection, layout.devices).items() if place in at}
    for place, bps in _speeds(connection, ends, policy, now_ms).items():
        far_bps[at[place]] = bps
        far_ends[at[place]] = " ".join(ends[place])
    by_design = np.isin(overrides, AWAY) | np.isin(otherwise, AWAY)  # what is to be out of use is not broken for it
    broken = np.where(by_design, np.uint8(bundle_states.FIT), _broken(connection, layout))
    return Declared(overrides, otherwise, far_bps, far_ends, broken)


def _broken(connection: Connection, layout: Layout) -> Bytes:
    """What the states of bundles say against ports, shape (n_ports,)."""
    broken = np.zeros(len(layout.ports), dtype=np.uint8)
    told = claims.states(connection, layout.devices)
    if not told:
        return broken
    for seats in layout.members:
        ports = [port for port in seats.tolist() if port != UNKNOWN]
        states = [told.get((layout.ports[port].device, layout.ports[port].port)) for port in ports]
        broken[ports] = [bundle_states.NAMES.index(name) for name in bundle_states.unfit(states)]
    return broken


def _speeds(connection: Connection, ends: Mapping[Place, Place], policy: Policy, now_ms: int) -> dict[Place, int]:
    """By port, the speed that its far end tells, where that is a port of its own and tells one.

    Where both ends name each other nobody says which of the two is to be believed; a cable is as
    fast as its slower end.
    """
    if not ends:
        return {}
    far_devices = {device for device, _ in ends.values()}
    back = claims.far_ends(connection, far_devices)
    mutual = {place for place, far in ends.items() if back.get(far) == place}
    asked = {*ends.values(), *mutual}
    told = heard.latest_of(connection, asked, now_ms - BELIEVED_MS, now_ms)
    speeds = {place: policy.speed_of(*place) or one.speed_bps for place, one in told.items()}
    whole = claims.interfaces(connection, far_devices)
    found = {place: speeds.get(far, 0) for place, far in ends.items() if far not in whole}
    slower = {place: min(bps, speeds.get(place) or bps) if place in mutual else bps for place, bps in found.items()}
    return {place: bps for place, bps in slower.items() if bps > 0}
