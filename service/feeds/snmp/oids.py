"""The columns this service asks agents for, by the names their standards give them.

Sources: SNMPv2-MIB (RFC 3418), IF-MIB (RFC 2863), EtherLike-MIB (RFC 3635), IEEE8023-LAG-MIB
(IEEE 802.3ad, kept by IEEE 802.1AX), IANAifType-MIB. All without a leading dot.
"""

from __future__ import annotations

SYS_UPTIME = "1.3.6.1.2.1.1.3"

_IF = "1.3.6.1.2.1.2.2.1"
IF_DESCR, IF_TYPE, IF_MTU, IF_SPEED, IF_PHYS_ADDRESS = (f"{_IF}.{column}" for column in (2, 3, 4, 5, 6))
IF_OPER_STATUS, IF_LAST_CHANGE = f"{_IF}.8", f"{_IF}.9"
IF_IN_OCTETS, IF_IN_UCAST, IF_IN_DISCARDS, IF_IN_ERRORS = (f"{_IF}.{column}" for column in (10, 11, 13, 14))
IF_OUT_OCTETS, IF_OUT_UCAST, IF_OUT_DISCARDS, IF_OUT_ERRORS = (f"{_IF}.{column}" for column in (16, 17, 19, 20))

_IFX = "1.3.6.1.2.1.31.1.1.1"
IF_NAME = f"{_IFX}.1"
IF_IN_MCAST, IF_IN_BCAST, IF_OUT_MCAST, IF_OUT_BCAST = (f"{_IFX}.{column}" for column in (2, 3, 4, 5))
IF_HC_IN_OCTETS, IF_HC_IN_UCAST, IF_HC_IN_MCAST, IF_HC_IN_BCAST = (f"{_IFX}.{column}" for column in (6, 7, 8, 9))
IF_HC_OUT_OCTETS, IF_HC_OUT_UCAST, IF_HC_OUT_MCAST, IF_HC_OUT_BCAST = (
    f"{_IFX}.{column}" for column in (10, 11, 12, 13)
)
IF_HIGH_SPEED, IF_ALIAS, IF_DISCONTINUITY = f"{_IFX}.15", f"{_IFX}.18", f"{_IFX}.19"

IF_STACK_STATUS = "1.3.6.1.2.1.31.1.2.1.3"  # index: the higher interface, then the lower one
IF_TABLE_LAST_CHANGE, IF_STACK_LAST_CHANGE = "1.3.6.1.2.1.31.1.5", "1.3.6.1.2.1.31.1.6"

DUPLEX = "1.3.6.1.2.1.10.7.2.1.19"  # dot3StatsDuplexStatus: unknown 1, half 2, full 3

_LAG = "1.2.840.10006.300.43.1"
AGG_PARTNER_SYSTEM, AGG_PARTNER_KEY = f"{_LAG}.1.1.1.8", f"{_LAG}.1.1.1.10"
AGG_PORT_LIST = f"{_LAG}.1.2.1.1"  # dot3adAggPortListPorts, by aggregator
PORT_PARTNER_SYSTEM, PORT_PARTNER_KEY = f"{_LAG}.2.1.1.9", f"{_LAG}.2.1.1.11"
PORT_SELECTED, PORT_ATTACHED = f"{_LAG}.2.1.1.12", f"{_LAG}.2.1.1.13"  # the aggregator's ifIndex, 0 for none
PORT_PARTNER_PORT = f"{_LAG}.2.1.1.17"
PORT_ACTOR_STATE, PORT_PARTNER_STATE = f"{_LAG}.2.1.1.21", f"{_LAG}.2.1.1.23"
LAG_TABLES_LAST_CHANGED = f"{_LAG}.3"

# Numbers of the IANAifType-MIB.
ETHERNET, PROP_VIRTUAL, LAG = 6, 53, 161
ETHERNETS = frozenset((ETHERNET, 7, 62, 69, 117))  # 62, 69 and 117 are deprecated for 6 (RFC 3635), and still met
# softwareLoopback, propVirtual, propMultiplexor, virtualIpAddress, tunnel, l2vlan, l3ipvlan, l3ipxvlan, mplsTunnel,
# ieee8023adLag, mpls, bridge: what carries other interfaces' traffic once more, or none that a wire sees.
VIRTUAL = frozenset((24, PROP_VIRTUAL, 54, 112, 131, 135, 136, 137, 150, LAG, 166, 209))
