"""Lists of ports in octet strings."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.feeds.snmp import port_list


class TestPortsOf:
    @given(st.sets(st.integers(1, 512)))
    def test_finds_the_ports_whose_bits_are_set(self, ports):
        octets = bytearray(64)
        for port in ports:
            octets[(port - 1) // 8] |= 0x80 >> (port - 1) % 8

        assert port_list.ports_of(bytes(octets)) == tuple(sorted(ports))

    def test_of_nothing_are_none(self):
        assert port_list.ports_of(b"") == ()


class TestTextsAmong:
    @pytest.mark.parametrize("octets", [b"21-22", b"23", b"23, ", b"17-18,21"])
    def test_knows_numbers_and_spans(self, octets):
        assert port_list.texts_among([octets, b""]) == {octets}

    @pytest.mark.parametrize("octets", [b"", b"\x08", b"\x08\x00", b"1\x00", b"-", b"a-b"])
    def test_takes_nothing_else_for_text(self, octets):
        assert port_list.texts_among([octets, b"21-22"]) == {b"21-22"}

    def test_takes_a_single_digit_for_text_only_beside_other_text(self):
        assert port_list.texts_among([b"3"]) == frozenset()  # 0x33 is also ports 3, 4, 7 and 8
        assert port_list.texts_among([b"3", b"21-22"]) == {b"3", b"21-22"}
