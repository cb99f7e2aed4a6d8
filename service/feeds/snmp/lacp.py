"""A port's LACP state, whose bits SNMP and the wire order in opposite ways.

`LacpState` is BITS in the LAG MIB, and BITS put the first named bit into the high-order bit
(RFC 3417 section 8(3)); an LACPDU puts it into the low-order bit (IEEE 802.1AX). A port that
carries is thus 0xBC over SNMP and 0x3D on the wire.
"""

from __future__ import annotations

from collections.abc import Iterable

from service.terms import LacpState

IN_USE = LacpState.AGGREGATION | LacpState.SYNCHRONIZATION | LacpState.COLLECTING | LacpState.DISTRIBUTING
_UNSETTLED = LacpState.DEFAULTED | LacpState.EXPIRED
_MIRRORED = tuple(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


def from_bits(octets: bytes) -> LacpState | None:
    """A state as SNMP has it; None for anything but one octet, which no standard allows.

    >>> from_bits(b"\\xbc") == from_octet(0x3D)
    True
    """
    return LacpState(_MIRRORED[octets[0]]) if len(octets) == 1 else None


def from_octet(octet: int) -> LacpState:
    """A state as an LACPDU has it."""
    return LacpState(octet & 0xFF)


def plausible(state: LacpState, *, carrying: bool = False) -> bool:
    """Whether a port can be in such a state; `carrying` says that it is known to carry traffic.

    An expired partner has lost its synchronisation, so that nothing is distributed to it any more
    (IEEE 802.1AX, receive machine): expired and distributing at once is a state read backwards.
    """
    if state & LacpState.EXPIRED:
        return not carrying and not state & LacpState.DISTRIBUTING
    return not carrying or bool(state & LacpState.COLLECTING and state & LacpState.DISTRIBUTING)


def is_in_use(state: LacpState, *, partner_known: bool = True) -> bool:
    """Whether a port in this state carries frames both ways.

    Without any partner an aggregation is configured by hand, and its state is `defaulted` by design.
    """
    against = _UNSETTLED if partner_known else LacpState.EXPIRED
    wanted = IN_USE & ~LacpState.AGGREGATION
    return state & wanted == wanted and not state & against


def told_as_on_the_wire(octets: Iterable[bytes]) -> bool:
    """Whether an agent tells its states in the LACPDU's order: some make no sense as BITS, none only as BITS."""
    as_bits = as_octet = 0
    for one in octets:
        bits = from_bits(one)
        if bits is not None:
            fits, fits_mirrored = plausible(bits), plausible(from_octet(one[0]))
            as_bits += fits and not fits_mirrored
            as_octet += fits_mirrored and not fits
    return as_octet > 0 and as_bits == 0
