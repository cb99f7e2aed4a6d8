"""Contrast by WCAG 2.2: relative luminance and contrast ratio as its glossary defines them."""

import colorsys
import re
from itertools import combinations
from pathlib import Path

import pytest

from service.charts.paint import DASHES, LIGHT

CSS = Path(__file__).parents[2] / "service" / "pages" / "static" / "lopside.css"
# Okabe and Ito, "Color Universal Design (CUD): how to make figures and presentations that are friendly to colorblind
# people" (2008): the eight colours, as public palettes of that name repeat them; the figure itself was not at hand.
PUBLISHED = {
    "black": "#000000",
    "orange": "#e69f00",
    "sky blue": "#56b4e9",
    "bluish green": "#009e73",
    "yellow": "#f0e442",
    "blue": "#0072b2",
    "vermilion": "#d55e00",
    "reddish purple": "#cc79a7",
}
LIGHT_ONES = ["blue", "vermilion", "bluish green", "reddish purple", "black", "orange", "sky blue", "yellow"]
# In the dark the lighter of both blues comes first.
DARK_ONES = ["sky blue", *LIGHT_ONES[1:6], "blue", "yellow"]
IN = {"light": LIGHT_ONES, "dark": DARK_ONES}
MEMBERS = [f"member-{k}" for k in range(1, 9)]


def schemes():
    """The colours by scheme: what the sheet sets first, then what it sets for a dark one."""
    light, dark = CSS.read_text().split("prefers-color-scheme: dark", 1)
    found = [dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6})", part)) for part in (light, dark)]
    return {"light": found[0], "dark": found[1]}


def luminance(colour):
    """WCAG 2.2, "relative luminance", with the threshold of 0.04045 that it has had since 2021."""
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """WCAG 2.2, "contrast ratio"."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
class TestContrast:
    @pytest.mark.parametrize("ground", ["paper", "span"])
    @pytest.mark.parametrize("graphic", [*MEMBERS, "rule", "soft", "ink"])
    def test_of_graphics_is_at_least_3(self, scheme, ground, graphic):
        # WCAG 2.2, success criterion 1.4.11.
        colours = schemes()[scheme]

        assert contrast(colours[graphic], colours[ground]) >= 3

    @pytest.mark.parametrize("ground", ["paper", "span"])
    @pytest.mark.parametrize("words", ["ink", "soft"])
    def test_of_words_is_at_least_4_5(self, scheme, ground, words):
        # WCAG 2.2, success criterion 1.4.3.
        colours = schemes()[scheme]

        assert contrast(colours[words], colours[ground]) >= 4.5


def hue(colour):
    """In degrees, as in CSS Color 4 (section 7, HSL); and None of what has none."""
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    return None if len(set(channels)) == 1 else colorsys.rgb_to_hls(*channels)[0] * 360


@pytest.mark.parametrize("scheme", ["light", "dark"])
class TestMembers:
    @pytest.mark.parametrize("member", MEMBERS)
    def test_have_the_published_colours_or_their_hues_where_those_lack_contrast(self, scheme, member):
        colours = schemes()[scheme]
        grounds = (colours["paper"], colours["span"])
        published = PUBLISHED[IN[scheme][MEMBERS.index(member)]]

        if all(contrast(published, ground) >= 3 for ground in grounds):
            assert colours[member] == published
        elif published == "#000000":
            assert colours[member] == "#ffffff"
        else:
            assert hue(colours[member]) == pytest.approx(hue(published), abs=1.5)

    def test_are_all_of_the_set(self, scheme):
        assert sorted(IN[scheme]) == sorted(PUBLISHED)
        assert len({schemes()[scheme][member] for member in MEMBERS}) == len(MEMBERS)


class TestContrastRatio:
    def test_is_21_of_black_on_white(self):
        # WCAG 2.2: contrast ratios can range from 1 to 21.
        assert contrast("#000000", "#ffffff") == pytest.approx(21)
        assert contrast("#777777", "#777777") == 1


class TestLight:
    def test_is_what_the_style_sheet_has(self):
        colours = schemes()["light"]

        assert dict(LIGHT) == {name: colours[name] for name in LIGHT}


class TestDashes:
    def test_tell_members_apart_without_colour(self):
        assert all(one != other for one, other in combinations(DASHES, 2))
        assert len(DASHES) == len(MEMBERS)
