"""What a cell may hold; limits just under, at and just over."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.feeds import cell_values
from service.feeds.cell_values import Wrong
from service.feeds.columns import COLUMNS

LIMITS = [
    ("in_octets", 0, 2**64 - 1),  # Counter64 of RFC 2578 section 7.1.10
    ("speed_bps", 0, 2**63 - 1),
    ("uptime_ticks", 0, 2**32 - 1),  # TimeTicks of RFC 2578 section 7.1.8
    ("discontinuity_ticks", 0, 2**32 - 1),
    ("last_change_ticks", 0, 2**32 - 1),
    ("if_index", 1, 2**31 - 1),  # InterfaceIndex of RFC 2863
    ("mtu", 0, 2**31 - 1),
]


class TestCells:
    @pytest.mark.parametrize(("name", "least", "most"), LIMITS)
    def test_take_the_range_of_a_number_and_nothing_beyond(self, name, least, most):
        for value in (least, most):
            assert cell_values.of_value(COLUMNS[name], value) == cell_values.of_text(COLUMNS[name], str(value)) == value
        for value in (least - 1, most + 1):
            with pytest.raises(Wrong):
                cell_values.of_value(COLUMNS[name], value)
            with pytest.raises(Wrong):
                cell_values.of_text(COLUMNS[name], str(value))

    @pytest.mark.parametrize("name", [name for name, column in COLUMNS.items() if column.words])
    def test_take_their_words_to_the_letter(self, name):
        column = COLUMNS[name]

        assert [cell_values.of_text(column, word) for word in column.words] == list(column.words)
        for word in (column.words[0].swapcase(), column.words[0] + " ", "?"):
            with pytest.raises(Wrong, match=column.words[0]):
                cell_values.of_text(column, word)


class TestOfValue:
    @given(st.floats(allow_nan=False))
    def test_takes_a_float_only_where_it_is_a_whole_number_below_2_to_the_53(self, value):
        whole = value.is_integer() and 0 <= value <= 2**53
        try:
            assert cell_values.of_value(COLUMNS["in_octets"], value) == int(value)
        except Wrong:
            assert not whole
        else:
            assert whole


class TestMacNumber:
    @pytest.mark.parametrize("text", ["02:00:5e:10:00:01", "02-00-5E-10-00-01", "0200.5e10.0001", "02005E100001"])
    def test_reads_the_usual_spellings(self, text):  # common practice, no source
        assert cell_values.mac_number(text) == 0x02005E100001

    @pytest.mark.parametrize("text", ["", "02:00:5e:10:00", "02:00:5e:10:00:01:02", "0g:00:5e:10:00:01", "port m1"])
    def test_refuses_what_is_no_address(self, text):
        with pytest.raises(Wrong):
            cell_values.mac_number(text)


class TestAreNames:
    @pytest.mark.parametrize("name", ["m1", "Ethernet1/0/48", "köln", "n" * 255, "two words", ""])
    def test_takes_printable_names(self, name):
        assert cell_values.are_names(["m1", name])

    @pytest.mark.parametrize("name", ["n" * 256, "a\x00", "a\nb", "\u202eevil", "\ud800", " m1", "m1\u2003", "\x7f"])
    def test_refuses_what_nobody_could_read_or_tell_apart(self, name):
        assert not cell_values.are_names(["m1", name])
