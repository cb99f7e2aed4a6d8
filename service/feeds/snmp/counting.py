"""Which columns count what: 64 bits first, 32 only where there are no others."""

from __future__ import annotations

from typing import NamedTuple

from service.feeds.snmp import oids

# A port's raw readings, in the order of their places in a plan.
RAW = (
    "out_octets",
    "in_octets",
    "out_ucast",
    "in_ucast",
    "out_mcast",
    "in_mcast",
    "out_bcast",
    "in_bcast",
    "out_discards",
    "in_discards",
    "out_errors",
    "in_errors",
    "high_speed",
    "speed",
    "oper",
    "last_change",
    "discontinuity",
)


class Offered(NamedTuple):
    """Where a raw reading is found: the better column, and the one to fall back to."""

    name: str
    column: str
    narrow: str = ""


# Octets and unicast packets of siblings are read in one request, so that they share an instant.
TOGETHER = (
    Offered("out_octets", oids.IF_HC_OUT_OCTETS, oids.IF_OUT_OCTETS),
    Offered("in_octets", oids.IF_HC_IN_OCTETS, oids.IF_IN_OCTETS),
    Offered("out_ucast", oids.IF_HC_OUT_UCAST, oids.IF_OUT_UCAST),
    Offered("in_ucast", oids.IF_HC_IN_UCAST, oids.IF_IN_UCAST),
)
APART = (
    Offered("out_mcast", oids.IF_HC_OUT_MCAST, oids.IF_OUT_MCAST),
    Offered("in_mcast", oids.IF_HC_IN_MCAST, oids.IF_IN_MCAST),
    Offered("out_bcast", oids.IF_HC_OUT_BCAST, oids.IF_OUT_BCAST),
    Offered("in_bcast", oids.IF_HC_IN_BCAST, oids.IF_IN_BCAST),
    Offered("out_discards", oids.IF_OUT_DISCARDS),
    Offered("in_discards", oids.IF_IN_DISCARDS),
    Offered("out_errors", oids.IF_OUT_ERRORS),
    Offered("in_errors", oids.IF_IN_ERRORS),
    Offered("high_speed", oids.IF_HIGH_SPEED),
    Offered("speed", oids.IF_SPEED),
    Offered("oper", oids.IF_OPER_STATUS),
    Offered("last_change", oids.IF_LAST_CHANGE),
    Offered("discontinuity", oids.IF_DISCONTINUITY),
)
COUNTED = tuple(column for offered in (*TOGETHER, *APART) for column in (offered.column, offered.narrow) if column)
