import xml.etree.ElementTree as ET

import pytest

from service.charts.bars import NARROW, Bar, both, summary, svg
from service.charts.texts import breadth

SVG = "{http://www.w3.org/2000/svg}"


def rects(drawn):
    return [float(one.get("width")) for one in ET.fromstring(drawn).iter(f"{SVG}rect")]


class TestSvg:
    def test_draws_shares_on_one_scale(self):
        # By hand: the field is 160 to 730, 570 broad: 92 % are 524.4, 2 % are 11.4.
        assert rects(svg([Bar("m1", 0.92), Bar("m2", 0.02)], 0.75, 0.47)) == [524.4, 11.4]

    def test_makes_the_scale_longer_only_where_a_share_exceeds_it(self):
        # By hand: the scale ends at 125 %, so that 100 % are 456 of 570.
        assert rects(svg([Bar("m1", 1.1), Bar("m2", 1.0)], 0.75, None)) == [501.6, 456.0]

    @pytest.mark.parametrize("share", [None, float("nan")])
    def test_draws_no_bar_where_a_member_is_unknown(self, share):
        drawn = svg([Bar("m1", share, "no figure")], 0.75, share)

        assert rects(drawn) == []
        assert "unknown, no figure" in drawn
        assert not any("even split" in "".join(one.itertext()) for one in ET.fromstring(drawn).iter(f"{SVG}text"))

    def test_says_why_a_member_cannot_take_load_and_draws_it_hollow(self):
        drawn = svg([Bar("m1", 0.5, "standby")], 0.75, 0.5)

        assert "50.0 %, standby" in drawn
        assert 'class="s-member-1 f-paper"' in drawn

    def test_keeps_foreign_text_as_text(self):
        drawn = svg([Bar("<b>&\x00", 0.5, '"<i>')], 0.75, 0.5, title="<u>", alone=True)

        assert {one.tag for one in ET.fromstring(drawn).iter()} <= {
            f"{SVG}{tag}" for tag in ("svg", "g", "title", "desc", "path", "rect", "text")
        }

    @pytest.mark.parametrize("even_split", [0.0, 0.1, 0.47, 0.49, 0.6, 0.75, 0.9, 1.0])
    @pytest.mark.parametrize("width", [960, 420])
    def test_keeps_the_words_of_its_lines_within_and_apart(self, width, even_split):
        drawn = svg([Bar("m1", 0.9)], 0.75, even_split, size=NARROW) if width == 420 else svg([], 0.75, even_split)
        lines = [one for one in ET.fromstring(drawn).iter(f"{SVG}text") if "line" in one.text or "split" in one.text]
        hot, even = lines

        assert (hot.text, even.text) == ("hot line 75 %", f"even split {even_split * 100:g} %")
        assert int(hot.get("y")) - int(even.get("y")) >= 15
        for one in lines:
            x, broad = int(one.get("x")), breadth(one.text)
            left = x - broad if one.get("text-anchor") == "end" else x
            assert 0 <= left <= left + broad <= width

    def test_is_drawn_broad_and_narrow_with_the_same_words(self):
        broad, narrow = both([Bar("m1", 0.92), Bar("m2", None)], 0.75, 0.47).split("</svg>")[:2]

        assert 'class="plot broad" viewBox="0 0 960' in broad
        assert 'class="plot narrow" viewBox="0 0 420' in narrow
        told = [[one.text for one in ET.fromstring(f"{part}</svg>").iter(f"{SVG}text")] for part in (broad, narrow)]
        assert told[0] == told[1]

    def test_stands_without_members(self):
        ET.fromstring(svg([], 0.75, None))


class TestSummary:
    def test_tells_the_same_in_words(self):
        told = summary([Bar("m1", 0.92), Bar("m2", None, "down")], 0.75, 0.47)

        assert told == "m1 92.0 %; m2 unknown, down. Hot line 75 %, even split 47.0 %."
