"""LACP states in either bit order."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.feeds.snmp import lacp
from service.terms import LacpState

CARRYING = lacp.IN_USE | LacpState.ACTIVITY


class TestFromBits:
    def test_puts_the_first_named_bit_into_the_high_order_bit(self):
        # RFC 3417 section 8(3); LacpState of the IEEE8023-LAG-MIB names activity first and expired last.
        assert lacp.from_bits(b"\x80") == LacpState.ACTIVITY
        assert lacp.from_bits(b"\x01") == LacpState.EXPIRED

    @pytest.mark.parametrize("octets", [b"", b"117", b"\xbc\x00"])
    def test_reads_nothing_from_what_is_not_one_octet(self, octets):
        assert lacp.from_bits(octets) is None

    @given(st.integers(0, 255))
    def test_is_the_mirror_of_the_wire(self, octet):
        mirrored = sum(0x80 >> bit for bit in range(8) if octet >> bit & 1)

        assert lacp.from_bits(bytes([octet])) == lacp.from_octet(mirrored)


class TestPlausible:
    def test_refuses_an_expired_port_that_distributes(self):
        assert not lacp.plausible(LacpState.EXPIRED | LacpState.DISTRIBUTING)
        assert lacp.plausible(LacpState.EXPIRED | LacpState.ACTIVITY)

    def test_asks_a_carrying_port_to_collect_and_distribute_and_not_to_be_expired(self):
        assert lacp.plausible(CARRYING, carrying=True)
        assert not lacp.plausible(CARRYING & ~LacpState.COLLECTING, carrying=True)
        assert not lacp.plausible(CARRYING & ~LacpState.DISTRIBUTING, carrying=True)
        assert not lacp.plausible(LacpState.EXPIRED, carrying=True)


class TestIsInUse:
    @pytest.mark.parametrize("lacking", [LacpState.SYNCHRONIZATION, LacpState.COLLECTING, LacpState.DISTRIBUTING])
    def test_wants_synchronisation_and_both_ways(self, lacking):
        assert lacp.is_in_use(CARRYING)
        assert not lacp.is_in_use(CARRYING & ~lacking)

    def test_is_false_once_expired_or_defaulted(self):
        assert not lacp.is_in_use(CARRYING | LacpState.EXPIRED)
        assert not lacp.is_in_use(CARRYING | LacpState.DEFAULTED)

    def test_takes_defaulted_for_granted_where_nobody_is_known_at_the_other_end(self):
        assert lacp.is_in_use(CARRYING | LacpState.DEFAULTED, partner_known=False)
        assert not lacp.is_in_use(CARRYING | LacpState.EXPIRED, partner_known=False)


class TestToldAsOnTheWire:
    def test_is_seen_by_a_state_that_makes_no_sense_as_bits(self):
        assert lacp.told_as_on_the_wire([b"\x3d", b"\x3f", b"\x45"])

    def test_is_not_claimed_of_states_that_make_sense_as_bits(self):
        assert not lacp.told_as_on_the_wire([b"\xbc", b"\xfc"])

    def test_is_not_claimed_where_states_say_both_or_neither(self):
        assert not lacp.told_as_on_the_wire([b"\x3d", b"\xbc"])
        assert not lacp.told_as_on_the_wire([b"\x3c", b"", b"21"])  # 0x3c is its own mirror
