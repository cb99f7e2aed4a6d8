"""Unpacking, under a limit."""

import gzip
import random
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import TooLarge, UnsupportedForm, UnusableInput
from service.feeds.unpack import unpacked


class TestUnpacked:
    @given(st.lists(st.binary(max_size=50), min_size=1, max_size=4))
    def test_reads_what_gzip_packed_in_one_member_or_several(self, parts):
        # RFC 1952 section 2.2: a file is a series of members.
        assert unpacked(b"".join(map(gzip.compress, parts)), "gzip", 1000) == b"".join(parts)

    @pytest.mark.parametrize("encoding", ["", "identity", "Identity"])
    def test_leaves_what_is_not_packed(self, encoding):
        assert unpacked(b"abc", encoding, 3) == b"abc"

    @pytest.mark.parametrize("encoding", ["gzip", "x-gzip", ""])
    @pytest.mark.parametrize("size", [99, 100, 101])
    def test_takes_as_many_octets_as_the_limit_and_no_more(self, encoding, size):
        packed = gzip.compress(bytes(size)) if encoding else bytes(size)
        if size <= 100:
            assert len(unpacked(packed, encoding, 100)) == size
        else:
            with pytest.raises(TooLarge):
                unpacked(packed, encoding, 100)

    def test_counts_all_members_against_the_limit(self):
        with pytest.raises(TooLarge):
            unpacked(gzip.compress(bytes(60)) * 2, "gzip", 100)

    def test_reads_members_of_any_length_one_after_the_other(self):
        parts = [random.Random(7).randbytes(size) for size in (0, 4000, 4096, 70_000, 1, 2_000_000)]

        assert unpacked(b"".join(map(gzip.compress, parts)), "gzip", 3_000_000) == b"".join(parts)

    def test_takes_no_longer_a_member_where_there_are_many(self):
        # All that follows a member was once copied at its end: forty times the time for ten times the members.
        def took_s(members):
            before = time.process_time()
            assert unpacked(gzip.compress(b"") * members, "gzip", 1000) == b""
            return time.process_time() - before

        assert min(took_s(200_000) for _ in range(2)) < 40 * max(took_s(20_000) for _ in range(2))

    def test_refuses_every_truncation(self):
        packed = gzip.compress(b"samples" * 20)
        for length in range(len(packed)):
            with pytest.raises(UnusableInput):
                unpacked(packed[:length], "gzip", 1000)

    @pytest.mark.parametrize("encoding", ["br", "deflate", "zstd", "gzip, gzip"])
    def test_refuses_other_codings(self, encoding):
        with pytest.raises(UnsupportedForm):
            unpacked(b"", encoding, 100)
