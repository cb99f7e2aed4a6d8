import math

import pytest
from examples import EPOCH_MS

from service.pages import spoken


class TestPerCent:
    @pytest.mark.parametrize(("share", "text"), [(0.92, "92 %"), (0, "0 %"), (1.2, "120 %"), (0.005, "0 %")])
    def test_is_a_whole_number(self, share, text):
        assert spoken.per_cent(share) == text

    def test_has_the_digits_asked_for(self):
        assert spoken.per_cent(0.985, 1) == "98.5 %"

    @pytest.mark.parametrize("share", [None, math.nan, math.inf])
    def test_says_unknown_and_never_zero(self, share):
        assert spoken.per_cent(share) == "unknown"


class TestPoints:
    # U+2212 is the minus of the Unicode Standard, chapter 6.2.
    @pytest.mark.parametrize(("share", "text"), [(0.0146, "+1.5 points"), (-0.25, "\u221225.0 points")])
    def test_has_a_sign(self, share, text):
        assert spoken.points(share) == text

    @pytest.mark.parametrize("share", [None, math.nan])
    def test_says_unknown(self, share):
        assert spoken.points(share) == "unknown"


class TestRate:
    # Prefixes of the International System of Units (SI brochure, table 7).
    @pytest.mark.parametrize(
        ("bits", "text"),
        [
            (0, "0 bit/s"),
            (999, "999 bit/s"),
            (1_000, "1 kbit/s"),
            (940_000_000, "940 Mbit/s"),
            (1_020_000_000, "1.02 Gbit/s"),
            (999_600_000, "1000 Mbit/s"),
            (1.6e12, "1.6 Tbit/s"),
        ],
    )
    def test_is_in_the_unit_that_suits_it(self, bits, text):
        assert spoken.rate(bits) == text

    @pytest.mark.parametrize("bits", [None, -1])
    def test_says_unknown(self, bits):
        assert spoken.rate(bits) == "unknown"


class TestTime:
    # RFC 3339 section 5.6 for the attribute; the text names its zone.
    def test_is_an_element_for_programs_and_people(self):
        assert spoken.time(EPOCH_MS) == '<time datetime="2026-11-25T10:00:00Z">2026-11-25 10:00:00 UTC</time>'

    def test_leaves_out_what_is_less_than_a_second(self):
        assert spoken.at(EPOCH_MS + 999) == "2026-11-25 10:00:00 UTC"

    def test_has_a_short_form_of_the_day(self):
        assert spoken.at_short(EPOCH_MS + 61_000) == "10:01:01"

    def test_says_unknown(self):
        assert spoken.time(None) == spoken.at(None) == spoken.at_short(None) == "unknown"
        assert spoken.iso(None) == ""


class TestInstantTime:
    # The times of RFC 3339, section 5.8: one instant in two zones.
    @pytest.mark.parametrize("text", ["1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"])
    def test_is_in_utc(self, text):
        assert spoken.instant_time(text) == '<time datetime="1996-12-20T00:39:57Z">1996-12-20 00:39:57 UTC</time>'

    def test_says_unknown(self):
        assert spoken.instant_time(None) == "unknown"


class TestLasting:
    def test_is_never_negative(self):
        assert spoken.lasting(-5_000) == spoken.lasting(0)


class TestSentence:
    @pytest.mark.parametrize(
        ("words", "text"), [("nothing came", "Nothing came."), ("Why?", "Why?"), ("done.", "Done."), ("", "")]
    )
    def test_begins_large_and_ends_with_a_stop(self, words, text):
        assert spoken.sentence(words) == text


class TestFilters:
    def test_are_all_there(self):
        assert all(callable(getattr(spoken, name)) for name in spoken.FILTERS)
