"""Single values as agents give them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.feeds.snmp import cells


class TestText:
    def test_takes_octets_and_text_alike(self):
        assert cells.text(b"up1") == cells.text("up1") == "up1"

    def test_drops_nul_and_control_characters_and_outer_space(self):
        assert cells.text(b" to \x1b[31mdock\r\n3\x00\x00") == "to [31mdock 3"

    def test_replaces_octets_that_are_no_utf8(self):
        assert cells.text(b"dock \xff3") == "dock \N{REPLACEMENT CHARACTER}3"

    @given(st.one_of(st.binary(max_size=2_000), st.text(max_size=2_000)))
    def test_is_printable_bare_and_bounded_whatever_comes(self, value):
        shown = cells.text(value)

        assert len(shown) <= cells.MOST_NAME
        assert shown.isprintable()
        assert shown == shown.strip()

    @pytest.mark.parametrize("value", [None, 5, 1.5])
    def test_of_what_is_no_text_is_empty(self, value):
        assert cells.text(value) == ""


class TestHardwareAddress:
    def test_is_six_octets_as_one_number(self):
        assert cells.hardware_address(bytes.fromhex("02005e100001")) == 0x02005E100001
        assert cells.hardware_address(bytes.fromhex("02005e100001").decode("latin-1")) == 0x02005E100001

    @pytest.mark.parametrize("text", [b"2-0-5e-10-0-1", b"02:00:5E:10:00:01", "2-0-5e-10-0-1"])
    def test_is_read_from_text_too(self, text):
        assert cells.hardware_address(text) == 0x02005E100001

    @pytest.mark.parametrize("value", [b"", b"\x00" * 8, b"2-0-5e-10-0", b"2-0-5e-10-0-xy", None, 7])
    def test_is_0_for_anything_else(self, value):
        assert cells.hardware_address(value) == 0


class TestWhole:
    def test_is_0_for_what_is_no_number(self):
        assert [cells.whole(value) for value in (5, None, b"5", "5")] == [5, 0, 0, 0]
