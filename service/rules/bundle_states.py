"""What the states of a bundle say against its members: which of them must not be used, and why.

Source: IEEE 802.1AX, the state octet of an LACPDU and its machines.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from service.terms import BundleState, LacpState

# Diagnoses of `terms.DIAGNOSES` that states tell; an array of ports holds positions in this.
NAMES = ("", "far-end-not-distributing", "own-end-not-distributing", "two-partners")
FIT, FAR_NOT_DISTRIBUTING, OWN_NOT_DISTRIBUTING, TWO_PARTNERS = range(4)

_IN_USE = LacpState.SYNCHRONIZATION | LacpState.DISTRIBUTING
_UNSETTLED = LacpState.DEFAULTED | LacpState.EXPIRED


def unfit(states: Sequence[BundleState | None]) -> tuple[str, ...]:
    """By member of one team, the diagnosis that its state makes, empty where it makes none or nobody told.

    Own end not in sync, not distributing, or with a partner that is silent (defaulted, expired)
    goes before the far end collecting without distributing, and that before a partner that is
    not the one of most members; of two as frequent the first member's is taken for the right one.

    Examples
    --------
    >>> unfit([BundleState(0x3D, 0x3D), BundleState(0x3D, 0x1D)])
    ('', 'far-end-not-distributing')
    """
    told = [state or BundleState() for state in states]
    partner = _usual_partner(told)
    return tuple(NAMES[_against(state, partner)] for state in told)


def _against(state: BundleState, partner: tuple[int, int] | None) -> int:
    # Without any partner an aggregation is set up by hand, and defaulted by design.
    unsettled = LacpState.EXPIRED if partner is None else _UNSETTLED
    if state.actor is not None and (state.actor & _IN_USE != _IN_USE or state.actor & unsettled):
        return OWN_NOT_DISTRIBUTING
    if state.partner is not None and not state.partner & LacpState.DISTRIBUTING:
        return FAR_NOT_DISTRIBUTING
    if partner is not None and state.partner_system and _partner(state) != partner:
        return TWO_PARTNERS
    return FIT


def _usual_partner(states: Sequence[BundleState]) -> tuple[int, int] | None:
    """The partner, as system and key, of most of the members that tell one; the first met of equals."""
    told = Counter(_partner(state) for state in states if state.partner_system)
    return max(told, key=told.__getitem__) if told else None


def _partner(state: BundleState) -> tuple[int, int]:
    return state.partner_system, state.partner_key
