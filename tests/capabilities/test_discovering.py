"""What devices say of their bundles is read in either bit order."""

from __future__ import annotations

import pytest
from snmp_rows import attached, found, store

from service.feeds.snmp import lacp
from service.terms import LacpState, Role

CARRYING = (
    LacpState.ACTIVITY
    | LacpState.AGGREGATION
    | LacpState.SYNCHRONIZATION
    | LacpState.COLLECTING
    | LacpState.DISTRIBUTING
)


class TestCol9BundleState:
    """The octet 0x3D of a PDU and the BITS value 0xBC are one state (IEEE 802.1AX; RFC 3417 section 8(3))."""

    def test_is_the_same_from_a_pdu_and_from_snmp(self):
        assert lacp.from_octet(0x3D) == lacp.from_bits(b"\xbc") == CARRYING

    def test_read_backwards_is_refused(self):
        backwards = lacp.from_octet(0xBC)

        assert backwards & LacpState.EXPIRED
        assert not backwards & LacpState.ACTIVITY
        assert not lacp.plausible(backwards, carrying=True)
        assert not lacp.plausible(backwards)
        assert lacp.plausible(lacp.from_bits(b"\xbc"), carrying=True)

    @pytest.mark.parametrize("octet", [b"\xbc", b"\x3d"])
    def test_of_a_device_is_read_right_in_whichever_order_it_tells_it(self, octet):
        rows = store()
        for port in (3, 4):
            rows |= attached(port, 1000, actor=octet, partner=octet)
        members = [port for port in found(rows).ports if port.team]

        assert [(port.state.actor, port.state.partner) for port in members] == [(0x3D, 0x3D)] * 2
        assert [port.role for port in members] == [Role.ACTIVE] * 2

    def test_names_the_partner_its_key_and_its_port(self):
        [up1, up2] = [port.state for port in found(store()).ports if port.team]

        assert (up1.partner_system, up1.partner_key) == (up2.partner_system, up2.partner_key) == (0x02005E100001, 11)
        assert (up1.partner_port, up2.partner_port) == (103, 104)

    def test_of_a_partner_that_collects_without_distributing_takes_the_member_out(self):
        # 0x1D of a PDU: all of 0x3D but distributing; 0xB8 as BITS.
        told = {port.port: port for port in found(store() | attached(4, 1000, partner=b"\xb8")).ports}

        assert told["up2"].state.partner == 0x1D
        assert (told["up1"].role, told["up2"].role) == (Role.ACTIVE, Role.OUT)
