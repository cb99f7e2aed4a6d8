import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import WrongQuestion
from service.numerics.hashes import MIXES, Stated, member_of, mixed, spread
from service.terms import Endpoints

TOLD = Endpoints("192.0.2.20", "198.51.100.7", 6, 49152, 443, "02:00:00:00:00:45", "02-00-00-00-00-80")
functions = [Stated(mix, key=bytes(range(40)) if mix == "toeplitz" else b"") for mix in MIXES]


class TestMemberOf:
    @pytest.mark.parametrize("function", functions, ids=str)
    @given(host=st.integers(0, 2**32 - 1), n=st.integers(1, 64))
    def test_is_one_of_the_members_by_either_way(self, function, host, n):
        octets = ".".join(map(str, host.to_bytes(4, "big")))
        told = TOLD._replace(destination=octets)

        for way in ("modulo", "threshold"):
            assert 0 <= member_of(Stated(function.mix, way=way, key=function.key), told, n) < n

    def test_by_threshold_is_the_region_of_the_number(self):
        # RFC 2992 section 2: key 0 in the first region, the largest in the last; 2 members part in the middle.
        stated = Stated("whole", ("source",), "threshold")
        found = [member_of(stated, Endpoints(one), 2) for one in ("0.0.0.0", "127.255.255.255", "128.0.0.0")]

        assert found == [0, 0, 1]

    def test_by_modulo_is_the_remainder(self):
        assert member_of(Stated("whole", ("source",)), Endpoints("0.0.0.7"), 4) == 3

    def test_refuses_no_members(self):
        with pytest.raises(WrongQuestion, match="members"):
            member_of(Stated("crc-32"), TOLD, 0)


class TestMixed:
    def test_takes_fields_in_the_order_in_which_they_are_stated(self):
        there, back = Stated("crc-32"), Stated("crc-32", ("destination", "source"))

        assert mixed(there, TOLD)[0] == zlib.crc32(bytes([192, 0, 2, 20, 198, 51, 100, 7]))
        assert mixed(there, TOLD) != mixed(back, TOLD)
        assert mixed(there, TOLD._replace(source=TOLD.destination, destination=TOLD.source)) == mixed(back, TOLD)

    def test_folds_all_octets(self):
        # Worked by hand: 192^0^2^20 = 214, 198^51^100^7 = 150, 214^150 = 64.
        assert mixed(Stated("xor-fold"), TOLD) == (64, 8)

    def test_reads_ports_and_hardware_addresses(self):
        assert mixed(Stated("whole", ("source_port",)), TOLD) == (49152, 16)
        assert mixed(Stated("whole", ("protocol",)), TOLD) == (6, 8)
        assert mixed(Stated("whole", ("destination_mac",)), TOLD) == (0x020000000080, 48)

    @pytest.mark.parametrize(
        ("over", "told", "word"),
        [
            ("source", Endpoints(destination="192.0.2.1"), "does not tell"),
            ("source", Endpoints("192.0.2.300"), "no IP address"),
            ("source_port", Endpoints(), "does not tell"),
            ("source_port", Endpoints(source_port=70_000), "65535"),
            ("source_mac", Endpoints(source_mac="02:00"), "no hardware address"),
            ("source_mac", Endpoints(source_mac="crane"), "no hardware address"),
        ],
    )
    def test_refuses_what_is_not_told_or_no_such_thing(self, over, told, word):
        with pytest.raises(WrongQuestion, match=word):
            mixed(Stated("crc-32", (over,)), told)

    def test_refuses_a_key_that_is_too_short(self):
        with pytest.raises(WrongQuestion, match="at least 12"):
            mixed(Stated("toeplitz", key=bytes([1] * 11)), TOLD)
        assert mixed(Stated("toeplitz", key=bytes([1] * 12)), TOLD)[1] == 32


class TestStated:
    @pytest.mark.parametrize(
        "told",
        [
            {"mix": "guess"},
            {"mix": "crc-32", "way": "luck"},
            {"mix": "crc-32", "over": ()},
            {"mix": "crc-32", "over": ("source", "source")},
            {"mix": "crc-32", "over": ("colour",)},
            {"mix": "crc-32", "key": b"1"},
            {"mix": "toeplitz"},
        ],
    )
    def test_refuses_what_is_no_function(self, told):
        with pytest.raises(WrongQuestion):
            Stated(**told)

    def test_says_what_it_is(self):
        assert str(Stated("crc-32")) == "crc-32 over source, destination, by modulo"


class TestSpread:
    def test_counts_conversations_by_member(self):
        talks = [Endpoints("192.0.2.20", f"192.0.2.{host}") for host in (10, 12, 14, 11)]

        assert spread(Stated("xor-last"), talks, 2) == (3, 1)
