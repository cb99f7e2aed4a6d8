"""Who decides which member carries what, and so whose work a cure is.

Source
------
IEEE 802.1AX: each end of a bundle distributes what it sends by a rule of its own (frame distributor);
RFC 2992 for routes of equal cost. That a switch sends to where it last saw an address: IEEE 802.1Q (learning).
"""

from __future__ import annotations

from collections.abc import Sequence

from service.terms import BundleState, Decider, LacpState, TeamName

# Methods that deal whole virtual ports or addresses to one port each, and so want separate ports at the far end.
PINNED = ("virtual-port", "load-aware")
BY_ADDRESS = (*PINNED, "source-mac")
# Methods that spread one address over all members, which only a bundle at the far end puts together again.
SPREAD = ("ip-pair", "layer4-tuple")
BUNDLED = ("static", "lacp")

HOST, FAR_END, INDIRECT, ROUTER, UNKNOWN = "host", "far end", "host, indirectly", "router", "unknown"
VIRTUALISATION, NETWORK, BOTH = "virtualisation", "network", "both"
ASK_METHOD = "by which method this end distributes"
ASK_BUNDLE = "whether the far end bundles these ports"


def decider(
    team: TeamName,
    direction: str,
    states: Sequence[BundleState | None] = (),
    *,
    routed: bool = False,
    far_devices: Sequence[str] = (),
) -> Decider:
    """Who chooses the member in a direction of the device whose counters were read.

    Parameters
    ----------
    team : TeamName
        Method and bundle as far as they are known.
    direction : str
        "egress" or "ingress".
    states : sequence of BundleState or None
        What LACP says of the members; a partner that answers tells of a bundle where nobody else did.
    routed : bool
        Whether the members are routed paths of equal cost, each with an address of its own.
    far_devices : sequence of str
        The devices at the other ends of the cables, as far as they are known: two that act as one partner
        decide twice.
    """
    if routed:
        return _routed(direction)
    team = _as_states_tell(team, states)
    error = build_error(team)
    if direction == "egress":
        return _egress(team, error)
    if error:
        return Decider(direction, INDIRECT if team.bundle == "none" else FAR_END, BOTH, error, (), error)
    if team.bundle in BUNDLED:
        return _bundled(team, len(set(far_devices) - {""}) > 1)
    return _separate(team) if team.bundle == "none" else _untold(team)


def is_routed(team: TeamName, ports: Sequence[str]) -> bool:
    """Whether a team is one of routed paths: those have no name of their own and are called by their ports."""
    return len(ports) > 1 and team.team == "+".join(ports)


def build_error(team: TeamName) -> str:
    """Why method and bundle cannot go together, in a sentence; empty where they can or where one is unknown."""
    if team.bundle == "none" and team.method in SPREAD:
        return (
            "built wrong: this end sends one address from several ports, and the far end has no bundle there:"
            " addresses move between its ports and it floods"
        )
    if team.bundle in BUNDLED and team.method in PINNED:
        return (
            "built wrong: this end keeps each address to one port, and the far end has a bundle there:"
            " what it sends comes on any member"
        )
    return ""


def _as_states_tell(team: TeamName, states: Sequence[BundleState | None]) -> TeamName:
    """The team with a bundle where LACP shows a partner and nobody else spoke of one."""
    if team.bundle or not any(_has_partner(state) for state in states):
        return team
    return TeamName(team.device, team.team, team.method, "lacp")


def _has_partner(state: BundleState | None) -> bool:
    return bool(state and state.partner_system and not (state.actor or 0) & LacpState.DEFAULTED)


def _routed(direction: str) -> Decider:
    if direction == "egress":
        return Decider(direction, HOST, VIRTUALISATION, "this end's hash over its routes chooses the path")
    text = "the last router's hash over its routes chooses the path; changing this end's method changes nothing here"
    return Decider(direction, ROUTER, NETWORK, text)


def _egress(team: TeamName, error: str) -> Decider:
    missing = () if _known(team) else (ASK_METHOD,)
    how = f"by its method, {team.method}" if not missing else "which member carries what it sends"
    text = error or f"this end chooses {how}"
    return Decider("egress", HOST, BOTH if error else VIRTUALISATION, text, missing, error)


def _bundled(team: TeamName, is_pair: bool) -> Decider:
    vain = "changing this end's method will not change this"
    if is_pair:
        text = (
            "the far end is a pair of switches acting as one: first which of them the traffic arrives at, then"
            f" its hash chooses the ingress members; {vain}"
        )
        return Decider("ingress", FAR_END, NETWORK, text, () if _known(team) else (ASK_METHOD,))
    text = f"the far end chooses ingress members by its own hash; {vain}"
    return Decider("ingress", FAR_END, NETWORK, text)


def _separate(team: TeamName) -> Decider:
    if team.method == "active-standby":
        return Decider("ingress", HOST, VIRTUALISATION, "this end chooses: it answers on its active member only")
    if team.method in BY_ADDRESS:
        text = (
            f"this end chooses indirectly, by its method, {team.method}:"
            " the far end sends to the port where it last saw an address"
        )
        return Decider("ingress", INDIRECT, VIRTUALISATION, text)
    text = "the far end sends to the port where it last saw an address, so this end's method decides; it is unknown"
    return Decider("ingress", INDIRECT, VIRTUALISATION, text, (ASK_METHOD,))


def _untold(team: TeamName) -> Decider:
    text = (
        "nobody told: with a bundle at the far end its hash chooses, without one this end does,"
        " by where its addresses were last seen"
    )
    missing = (ASK_BUNDLE,) if _known(team) else (ASK_BUNDLE, ASK_METHOD)
    return Decider("ingress", UNKNOWN, BOTH, text, missing)


def _known(team: TeamName) -> bool:
    return team.method not in {"", "unknown"}
