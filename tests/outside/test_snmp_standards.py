"""Identifiers, bit orders and encodings of the standards, against what the feed asks for and reads."""

import pytest

from service.feeds.snmp import lacp, oids, port_list
from service.feeds.snmp.packing import size_of
from service.terms import LacpState, OperStatus


class TestIdentifiers:
    # Resolved by name from the MIB modules themselves: SNMPv2-MIB (RFC 3418), IF-MIB (RFC 2863), EtherLike-MIB
    # (RFC 3635), IEEE8023-LAG-MIB of 2000-06-27.
    @pytest.mark.parametrize(
        ("name", "oid"),
        [
            ("SYS_UPTIME", "1.3.6.1.2.1.1.3"),
            ("IF_DESCR", "1.3.6.1.2.1.2.2.1.2"),
            ("IF_TYPE", "1.3.6.1.2.1.2.2.1.3"),
            ("IF_MTU", "1.3.6.1.2.1.2.2.1.4"),
            ("IF_SPEED", "1.3.6.1.2.1.2.2.1.5"),
            ("IF_PHYS_ADDRESS", "1.3.6.1.2.1.2.2.1.6"),
            ("IF_OPER_STATUS", "1.3.6.1.2.1.2.2.1.8"),
            ("IF_LAST_CHANGE", "1.3.6.1.2.1.2.2.1.9"),
            ("IF_IN_OCTETS", "1.3.6.1.2.1.2.2.1.10"),
            ("IF_IN_UCAST", "1.3.6.1.2.1.2.2.1.11"),
            ("IF_IN_DISCARDS", "1.3.6.1.2.1.2.2.1.13"),
            ("IF_IN_ERRORS", "1.3.6.1.2.1.2.2.1.14"),
            ("IF_OUT_OCTETS", "1.3.6.1.2.1.2.2.1.16"),
            ("IF_OUT_UCAST", "1.3.6.1.2.1.2.2.1.17"),
            ("IF_OUT_DISCARDS", "1.3.6.1.2.1.2.2.1.19"),
            ("IF_OUT_ERRORS", "1.3.6.1.2.1.2.2.1.20"),
            ("IF_NAME", "1.3.6.1.2.1.31.1.1.1.1"),
            ("IF_IN_MCAST", "1.3.6.1.2.1.31.1.1.1.2"),
            ("IF_IN_BCAST", "1.3.6.1.2.1.31.1.1.1.3"),
            ("IF_OUT_MCAST", "1.3.6.1.2.1.31.1.1.1.4"),
            ("IF_OUT_BCAST", "1.3.6.1.2.1.31.1.1.1.5"),
            ("IF_HC_IN_OCTETS", "1.3.6.1.2.1.31.1.1.1.6"),
            ("IF_HC_IN_UCAST", "1.3.6.1.2.1.31.1.1.1.7"),
            ("IF_HC_IN_MCAST", "1.3.6.1.2.1.31.1.1.1.8"),
            ("IF_HC_IN_BCAST", "1.3.6.1.2.1.31.1.1.1.9"),
            ("IF_HC_OUT_OCTETS", "1.3.6.1.2.1.31.1.1.1.10"),
            ("IF_HC_OUT_UCAST", "1.3.6.1.2.1.31.1.1.1.11"),
            ("IF_HC_OUT_MCAST", "1.3.6.1.2.1.31.1.1.1.12"),
            ("IF_HC_OUT_BCAST", "1.3.6.1.2.1.31.1.1.1.13"),
            ("IF_HIGH_SPEED", "1.3.6.1.2.1.31.1.1.1.15"),
            ("IF_ALIAS", "1.3.6.1.2.1.31.1.1.1.18"),
            ("IF_DISCONTINUITY", "1.3.6.1.2.1.31.1.1.1.19"),
            ("IF_STACK_STATUS", "1.3.6.1.2.1.31.1.2.1.3"),
            ("IF_TABLE_LAST_CHANGE", "1.3.6.1.2.1.31.1.5"),
            ("IF_STACK_LAST_CHANGE", "1.3.6.1.2.1.31.1.6"),
            ("DUPLEX", "1.3.6.1.2.1.10.7.2.1.19"),
            ("AGG_PARTNER_SYSTEM", "1.2.840.10006.300.43.1.1.1.1.8"),
            ("AGG_PARTNER_KEY", "1.2.840.10006.300.43.1.1.1.1.10"),
            ("AGG_PORT_LIST", "1.2.840.10006.300.43.1.1.2.1.1"),
            ("PORT_PARTNER_SYSTEM", "1.2.840.10006.300.43.1.2.1.1.9"),
            ("PORT_PARTNER_KEY", "1.2.840.10006.300.43.1.2.1.1.11"),
            ("PORT_SELECTED", "1.2.840.10006.300.43.1.2.1.1.12"),
            ("PORT_ATTACHED", "1.2.840.10006.300.43.1.2.1.1.13"),
            ("PORT_PARTNER_PORT", "1.2.840.10006.300.43.1.2.1.1.17"),
            ("PORT_ACTOR_STATE", "1.2.840.10006.300.43.1.2.1.1.21"),
            ("PORT_PARTNER_STATE", "1.2.840.10006.300.43.1.2.1.1.23"),
            ("LAG_TABLES_LAST_CHANGED", "1.2.840.10006.300.43.1.3"),
        ],
    )
    def test_are_those_of_the_mib_modules(self, name, oid):
        assert getattr(oids, name) == oid


class TestTypesOfInterfaces:
    # IANAifType-MIB.
    VIRTUAL = {
        "softwareLoopback": 24,
        "propVirtual": 53,
        "propMultiplexor": 54,
        "tunnel": 131,
        "l2vlan": 135,
        "l3ipvlan": 136,
        "ieee8023adLag": 161,
        "bridge": 209,
    }

    def test_that_carry_others_traffic_are_no_members(self):
        assert set(self.VIRTUAL.values()) <= oids.VIRTUAL

    def test_of_ethernet_may_be_members(self):
        assert 6 in oids.ETHERNETS  # ethernetCsmacd
        assert not oids.ETHERNETS & oids.VIRTUAL


class TestLacpState:
    # IEEE8023-LAG-MIB, LacpState: BITS { lacpActivity(0), lacpTimeout(1), aggregation(2), synchronization(3),
    # collecting(4), distributing(5), defaulted(6), expired(7) }; RFC 3417 section 8(3): the first bit is the high one.
    NAMED = (
        LacpState.ACTIVITY,
        LacpState.TIMEOUT,
        LacpState.AGGREGATION,
        LacpState.SYNCHRONIZATION,
        LacpState.COLLECTING,
        LacpState.DISTRIBUTING,
        LacpState.DEFAULTED,
        LacpState.EXPIRED,
    )

    @pytest.mark.parametrize("place", range(8))
    def test_has_its_bits_from_the_high_order_bit_down(self, place):
        assert lacp.from_bits(bytes([0x80 >> place])) == self.NAMED[place]

    @pytest.mark.parametrize("place", range(8))
    def test_has_its_bits_from_the_low_order_bit_up_on_the_wire(self, place):
        assert lacp.from_octet(1 << place) == self.NAMED[place]  # IEEE 802.1AX, Actor_State

    @pytest.mark.parametrize(("bits", "octet"), [(0xBC, 0x3D), (0xFC, 0x3F)])
    def test_of_a_carrying_port_is_the_same_in_both_orders(self, bits, octet):
        assert lacp.from_bits(bytes([bits])) == lacp.from_octet(octet)


class TestPortList:
    # RFC 4363, PortList: each octet eight ports, the most significant bit the lowest numbered one.
    @pytest.mark.parametrize(("octets", "ports"), [("08", (5,)), ("80", (1,)), ("01", (8,)), ("0080", (9,))])
    def test_counts_from_the_most_significant_bit(self, octets, ports):
        assert port_list.ports_of(bytes.fromhex(octets)) == ports


class TestOperStatus:
    def test_has_the_numbers_of_rfc_2863(self):
        names = ("UP", "DOWN", "TESTING", "UNKNOWN", "DORMANT", "NOT_PRESENT", "LOWER_LAYER_DOWN")

        assert [OperStatus[name] for name in names] == [1, 2, 3, 4, 5, 6, 7]


class TestEncoding:
    @pytest.mark.parametrize(
        ("oid", "octets"),
        [
            # X.690 section 8.19: seven bits an octet, the first two arcs in one.
            ("1.3.6.1.2.1.1.3.0", "06082b06010201010300"),
            ("1.2.840.10006.300.43.1.2.1.1.13.1000", "060f2a8648ce16822c2b010201010d8768"),
        ],
    )
    def test_of_identifiers_is_as_long_as_reckoned(self, oid, octets):
        value_and_head = 2 + 2 + 5

        assert size_of(oid, wide=False) - value_and_head == len(bytes.fromhex(octets))
