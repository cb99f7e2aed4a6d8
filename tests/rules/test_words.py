"""Figures as people read them."""

from __future__ import annotations

import pytest

from service.rules import words


class TestPercent:
    @pytest.mark.parametrize(
        ("share", "text"),
        [
            (0.92, "92 %"),
            (0.9949, "99 %"),
            (1.0, "100 %"),
            (1.02, "102 %"),
            (0.0995, "10 %"),
            (0.024, "2.4 %"),
            (0.02, "2 %"),
            (0.0002, "0.02 %"),
            (0.0, "0 %"),
            (3e-9, "0 %"),
        ],
    )
    def test_has_two_significant_digits(self, share, text):
        assert words.percent(share) == text


class TestLine:
    @pytest.mark.parametrize(("share", "text"), [(0.75, "75 %"), (0.725, "72.5 %"), (0.3, "30 %")])
    def test_is_as_it_was_set(self, share, text):
        assert words.line(share) == text


class TestListed:
    @pytest.mark.parametrize(
        ("names", "text"), [(["m1"], "m1"), (["m1", "m2"], "m1 and m2"), (["m1", "m2", "m3"], "m1, m2 and m3")]
    )
    def test_joins_names(self, names, text):
        assert words.listed(names) == text


class TestMinutes:
    @pytest.mark.parametrize(
        ("milliseconds", "text"),
        [(90_000, "90 s"), (120_000, "2 min"), (3_599_000, "59 min"), (6_180_000, "1 h 43 min")],
    )
    def test_says_a_duration(self, milliseconds, text):
        assert words.minutes(milliseconds) == text


class TestRate:
    @pytest.mark.parametrize(
        ("bps", "text"),
        [(920e6, "920 Mbit/s"), (10e9, "10 Gbit/s"), (1.6e12, "1.6 Tbit/s"), (3000, "3 kbit/s"), (5, "5 bit/s")],
    )
    def test_has_the_unit_that_suits_it(self, bps, text):
        assert words.rate(bps) == text


class TestWrapping:
    @pytest.mark.parametrize(
        ("bps", "text"),
        [
            # RFC 2863 section 3.1.6 has 57 minutes at 10 Mbit/s; the others are 8 x 2^32 / speed, and 0.8 of that.
            (10_000_000, "at 10 Mbit/s 32 bits wrap in 3435.97 s: poll at most every 2748 s"),
            (1_000_000_000, "at 1 Gbit/s 32 bits wrap in 34.36 s: poll at most every 27 s"),
            (25_000_000_000, "at 25 Gbit/s 32 bits wrap in 1.37 s: poll at most every 1 s"),
            (100_000_000_000, "at 100 Gbit/s 32 bits wrap in 0.34 s: only 64 bits will do"),
        ],
    )
    def test_says_how_often_to_poll(self, bps, text):
        assert words.wrapping(bps) == text
