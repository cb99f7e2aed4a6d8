"""What LACP says of members that must not be used: an end that does not distribute, two different partners.

Source
------
IEEE 802.1AX: a port is used once both ends are synchronised, collecting and distributing; the ports of one
aggregation share the partner's system identity and operational key.
"""

from __future__ import annotations

from collections.abc import Iterator

from service.rules import bundle_states
from service.rules.situation import Situation
from service.terms import BundleState, Diagnosis, Evidence, LacpState, Sure

FAR, OWN, TWO = bundle_states.NAMES[1:]


def diagnoses(situation: Situation) -> Iterator[Diagnosis]:
    """What each member's states show; a member of which nobody tells shows nothing."""
    names = bundle_states.unfit(situation.states)
    strays = []
    for port, state, name in zip(situation.ports, situation.states, names, strict=False):
        if state and name == OWN:
            why = _own(state)
            yield _of(OWN, port, f"this end does not use {port}: {why}", why)
        elif state and name == FAR:
            yield _of(FAR, port, f"the far end is not sending on {port}", _far(state))
        elif name == TWO:
            strays.append(port)
    if strays:
        yield _strays(situation, tuple(strays))


def _own(state: BundleState) -> str:
    """Why this end does not use the member."""
    actor = state.actor or 0
    if actor & LacpState.DEFAULTED or actor & LacpState.EXPIRED:
        return "its partner is silent"
    if not actor & LacpState.SYNCHRONIZATION:
        return "it is not in sync with its partner"
    return "it is not distributing"


def _far(state: BundleState) -> str:
    partner = state.partner or 0
    does = "collecting, not distributing" if partner & LacpState.COLLECTING else "not distributing"
    return f"partner state 0x{partner:02X}: {does}"


def _strays(situation: Situation, strays: tuple[str, ...]) -> Diagnosis:
    told = zip(situation.ports, situation.states, strict=False)
    signs = tuple(
        f"{port}: partner {_address(state.partner_system)}, key {state.partner_key}"
        for port, state in told
        if state and state.partner_system
    )
    return Diagnosis(TWO, Sure.SHOWN, f"cabled to two different partners: {', '.join(strays)}", strays, Evidence(signs))


def _of(name: str, port: str, text: str, sign: str) -> Diagnosis:
    return Diagnosis(name, Sure.SHOWN, text, (port,), Evidence((f"{port}: {sign}",)))


def _address(system: int) -> str:
    return ":".join(f"{octet:02x}" for octet in system.to_bytes(6, "big"))
