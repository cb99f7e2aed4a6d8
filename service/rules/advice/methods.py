"""The ways a sender can pick a member: what each deals out, what it needs at both ends, and what goes wrong.

Source
------
IEEE 802.1AX for bundles and conversations, RFC 2992 for what re-deals; the traps are common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple


class Way(NamedTuple):
    """One method: `deals` is what it spreads, `needs_bundle` whether the far end must aggregate or must not."""

    title: str
    deals: str
    needs_bundle: bool
    host: tuple[str, ...]
    far_end: tuple[str, ...]
    risks: tuple[str, ...]


_SEPARATE = "every member's port is a separate port with the same networks allowed, and is in no bundle"
_BUNDLED = "one bundle over exactly these members, of the same kind (static or LACP) as at the host"
_IMPACT = "what is dealt anew can lose frames for a moment and arrive out of order"
_BOTH = "both ends change in the same window: in between, addresses move or frames are lost"

WAYS = {
    "virtual-port": Way(
        "By virtual port",
        "virtual ports, by count and not by load",
        False,
        ("every member carries all networks of the virtual ports",),
        (_SEPARATE,),
        ("it counts ports: two busy ones can meet again", _IMPACT),
    ),
    "source-mac": Way(
        "Source hardware address",
        "hardware addresses",
        False,
        ("every member carries all networks of the virtual ports", "no two adapters share a hardware address"),
        (_SEPARATE,),
        ("two busy addresses can meet again", _IMPACT),
    ),
    "ip-pair": Way(
        "Pairs of addresses",
        "pairs of source and destination address",
        True,
        ("all members active, none kept as standby", "every network that uses the team takes the same method"),
        (_BUNDLED,),
        (
            "storage and backup are often one pair, which stays on one member",
            "address plans of one parity reach only some members",
            _BOTH,
        ),
    ),
    "layer4-tuple": Way(
        "Layer-4 conversations",
        "TCP and UDP conversations",
        True,
        ("all members active, none kept as standby", "every network that uses the team takes the same method"),
        (_BUNDLED, "its own hash for the way back is set by itself and need not be alike"),
        (
            "one conversation never uses more than one member",
            "fragments and encrypted tunnels show no ports and stay together",
            _BOTH,
        ),
    ),
    "load-aware": Way(
        "Load-aware placement",
        "virtual ports, by load, looked at every 30 s",
        False,
        ("every member carries all networks of the virtual ports", "no virtual port alone exceeds the hot line"),
        (_SEPARATE,),
        (
            "it chases bursts, and moves back and forth what is larger than the line",
            "it stops once nothing exceeds the line, and does not even out what lies below",
            _IMPACT,
        ),
    ),
    "active-standby": Way(
        "One active, the others standby",
        "everything to one member",
        False,
        ("the standby members are up and carry all networks",),
        (_SEPARATE,),
        ("the team carries what one member carries", _IMPACT),
    ),
}


def title_of(option: str) -> str:
    """How an option is headed."""
    return WAYS[option].title if option in WAYS else _OTHERS[option]


_OTHERS = {
    "leave": "Leave it",
    "far-end": "Another hash at the far end",
    "add-capacity": "Add capacity",
    "mend": "Mend the build",
}
