import xml.etree.ElementTree as ET

import pytest

from service.charts.bars import Bar, summary, svg

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

    def test_stands_without_members(self):
        ET.fromstring(svg([], 0.75, None))


class TestSummary:
    def test_tells_the_same_in_words(self):
        told = summary([Bar("m1", 0.92), Bar("m2", None, "down")], 0.75, 0.47)

        assert told == "m1 92.0 %; m2 unknown, down. Hot line 75 %, even split 47.0 %."
