import gzip
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from examples import EPOCH_MS
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from service.charts.columns import columns, holes, runs
from service.charts.drawing import both, svg, together
from service.charts.frames import clock, frame, highest, instants, shares
from service.charts.labels import APART, spread
from service.charts.paint import DASHES
from service.charts.plots import Line, Mark, Plot, Stretch

NAN = math.nan
SVG = "{http://www.w3.org/2000/svg}"
figures_with_holes = arrays(np.float64, st.integers(1, 60), elements=st.just(NAN) | st.floats(0, 1.2))


def a_plot(*members, count=4, **told):
    lines = tuple(Line(f"m{k + 1}", np.array(figures, dtype=float)) for k, figures in enumerate(members))
    usual = {"title": "sm-07, team front", "summary": "m1 last at 92 %", "first_ms": EPOCH_MS, "width_ms": 30_000}
    rest = {"even_split": np.full(count, NAN), "hot_above": 0.75, "idle_below": 0.30}
    return Plot(**{**usual, **rest, "lines": lines, **told})


def parsed(plot, **told):
    return ET.fromstring(svg(plot, **told))


def path_of(root, member):
    [group] = [one for one in root.iter(f"{SVG}g") if one.get("data-member") == member]
    return group.find(f"{SVG}path").get("d")


def words(root):
    return ["".join(one.itertext()) for one in root.iter(f"{SVG}text")]


class TestSvg:
    def test_draws_figures_where_the_scale_has_them(self):
        # By hand: the field is 64 to 810 across and 54 to 274 down; four windows are 186.5 broad each, so their
        # middles are at 157.25, 343.75, ...; 50 % is at 274 - 110 = 164, 100 % at 54, 0 at 274.
        root = parsed(a_plot([0.5, 1.0, 0.0, 0.5]))

        assert path_of(root, "m1") == "M157.2,164 343.8,54 530.2,274 716.8,164"

    def test_leaves_a_hole_open(self):
        path = path_of(parsed(a_plot([0.5, NAN, 0.5, 0.5])), "m1")

        # One window alone is as broad as it lasted; the hole is neither bridged nor at 0.
        assert path == "M64,164h186.4M530.2,164 716.8,164"

    def test_says_below_the_field_where_some_member_is_unknown(self):
        root = parsed(a_plot([0.5, NAN, 0.5, 0.5], [0.1, 0.1, 0.1, 0.1]))

        assert "unknown" in words(root)
        assert "unknown" not in words(parsed(a_plot([0.5] * 4)))

    def test_makes_the_scale_taller_only_where_a_figure_exceeds_it(self):
        assert highest(a_plot([1.0, NAN])) == 1.0
        assert highest(a_plot([1.0001])) == 1.25
        assert "125 %" in words(parsed(a_plot([1.1] * 4)))

    def test_names_each_line_and_each_limit(self):
        told = words(parsed(a_plot([0.5] * 4, [0.1] * 4, even_split=np.full(4, 0.3))))

        assert {"m1", "m2", "even split", "hot line 75 %", "idle line 30 %"} <= set(told)

    def test_gives_every_member_its_own_dash(self):
        root = parsed(a_plot(*([0.1 * k] * 4 for k in range(8))))
        groups = [one for one in root.iter(f"{SVG}g") if one.get("data-figures")]

        dashes = [group.find(f"{SVG}path").get("stroke-dasharray") for group in groups]
        assert len(set(dashes)) == len(groups) == len(set(DASHES)) == 8

    def test_marks_windows_covered_in_part_and_restated_ones(self):
        one = np.array([False, True, False, False])
        line = Line("m1", np.full(4, 0.5), partial=one, restated=~one)
        drawn = svg(a_plot(lines=(line,)))

        assert drawn.count("m1: only a part of the window was covered") == 1
        assert drawn.count("M343.8,164h0") == 2
        assert drawn.count("l8,8m0,-8l-8,8") == 3

    def test_draws_findings_as_times_and_changes_as_lines(self):
        stretch = Stretch(EPOCH_MS - 10**6, EPOCH_MS + 60_000, "uneven", "major")
        root = parsed(a_plot([0.5] * 4, stretches=(stretch,), marks=(Mark(EPOCH_MS + 60_000, "CHG-7"),)))

        # By hand: it began before and lasted for half of the two minutes: 64 to 437.
        [field] = root.iter(f"{SVG}rect")
        assert (field.get("x"), field.get("width")) == ("64.0", "373.0")
        assert "M437.0,54V274" in ET.tostring(root, encoding="unicode")
        assert {"major: uneven", "CHG-7"} <= set(words(root))

    def test_leaves_out_what_happened_at_other_times(self):
        stretch, mark = Stretch(0, EPOCH_MS, "uneven"), Mark(EPOCH_MS - 1, "CHG-7")

        assert svg(a_plot([0.5] * 4, stretches=(stretch,), marks=(mark,))) == svg(a_plot([0.5] * 4))

    def test_draws_all_words_after_all_lines(self):
        # SVG 2, 3.4: what comes later in a document is painted on top.
        plot = a_plot([0.5, NAN, 0.5, 0.5], stretches=(Stretch(EPOCH_MS, EPOCH_MS + 60_000, "uneven", "minor"),))
        plot = replace(plot, marks=(Mark(EPOCH_MS + 30_000, "cabled anew"),), even_split=np.full(4, 0.4))
        order = list(parsed(plot).iter())
        last = max(k for k, one in enumerate(order) if one.get("data-member") or one.tag == f"{SVG}rect")
        words_after = {one.text for one in order[last:] if one.tag == f"{SVG}text"}

        assert {"m1", "even split", "hot line 75 %", "idle line 30 %", "unknown", "cabled anew"} < words_after

    def test_puts_the_words_of_near_changes_below_each_other(self):
        marks = tuple(Mark(EPOCH_MS + k * 1000, f"change {k}") for k in range(3))
        texts = [one for one in parsed(a_plot([0.5] * 4, marks=marks)).iter(f"{SVG}text") if "change" in one.text]

        heights = sorted(int(one.get("y")) for one in texts)
        assert all(b - a >= 15 for a, b in pairwise(heights))
        assert len(heights) == 3

    def test_is_drawn_broad_and_narrow_of_the_same(self):
        broad, narrow = both(a_plot([0.5] * 4)).split("</svg>")[:2]

        assert 'class="plot broad" viewBox="0 30 960 290"' in broad
        assert 'class="plot narrow" viewBox="0 30 420 270"' in narrow
        assert 'data-member="m1" data-figures="500,500,500,500"' in broad
        # What is read out comes of the broad one, whichever is shown.
        assert "data-figures" not in narrow
        assert 'data-member="m1"' in narrow

    def test_leaves_no_room_for_words_that_are_not_there(self):
        stretches = (Stretch(EPOCH_MS, EPOCH_MS + 60_000, "uneven", "minor"),)

        assert parsed(a_plot([0.5] * 4)).get("viewBox") == "0 30 960 290"
        assert parsed(a_plot([0.5] * 4, stretches=stretches)).get("viewBox") == "0 0 960 320"
        assert parsed(a_plot([0.5] * 4), alone=True).get("viewBox") == "0 0 960 320"

    def test_says_what_it_shows_where_no_page_does(self):
        assert words(parsed(a_plot([0.5] * 4), alone=True))[0] == "sm-07, team front"
        assert "sm-07, team front" not in words(parsed(a_plot([0.5] * 4)))

    def test_is_an_image_with_a_name_and_a_description(self):
        root = parsed(a_plot([0.5] * 4))

        assert root.get("role") == "img"
        assert root[0].tag == f"{SVG}title"
        assert (root[0].text, root.find(f"{SVG}desc").text) == ("sm-07, team front", "m1 last at 92 %")

    @given(st.text(max_size=40))
    def test_keeps_foreign_text_as_text(self, foreign):
        line = Line(foreign, np.full(4, 0.5))
        stretch, mark = Stretch(EPOCH_MS, EPOCH_MS + 1, foreign), Mark(EPOCH_MS, foreign)
        plot = a_plot(title=foreign, summary=foreign, lines=(line,), stretches=(stretch,), marks=(mark,))
        elements = [one.tag for one in parsed(replace(plot, title="t")).iter()]

        assert [one.tag for one in parsed(plot).iter()] == elements
        assert {tag.removeprefix(SVG) for tag in elements} <= {"svg", "g", "title", "desc", "path", "rect", "text"}

    def test_lets_no_markup_through(self):
        line = Line('"/><script>alert(1)</script>\x00\ud800', np.full(4, 0.5))

        assert "<script" not in svg(a_plot(lines=(line,)))

    @pytest.mark.parametrize("alone", [False, True])
    def test_has_no_style_and_asks_for_nothing(self, alone):
        drawn = svg(a_plot([0.5] * 4), alone=alone)

        assert "style" not in drawn
        assert re.findall('https?://[^"]*', drawn) == ["http://www.w3.org/2000/svg"]
        assert ("#0072b2" in drawn) is alone
        assert ('class="s-member-1' in drawn) is not alone

    @pytest.mark.parametrize("count", [0, 1])
    def test_stands_with_hardly_any_windows(self, count):
        parsed(a_plot([0.5] * count, count=count))

    @given(figures_with_holes)
    def test_draws_whatever_is_unknown(self, figures):
        root = parsed(a_plot(figures, count=len(figures)))

        assert "nan" not in ET.tostring(root, encoding="unicode")
        [group] = [one for one in root.iter(f"{SVG}g") if one.get("data-figures") is not None]
        assert [one == "" for one in group.get("data-figures").split(",")] == np.isnan(figures).tolist()


class TestWeight:
    def test_of_many_members_is_kept_by_columns_of_more_windows(self):
        # 3,120 windows on 746 columns are five together; of 8 members, on 4,500 / 8 = 562 columns, six.
        assert [together(a_plot(*[np.full(3120, 0.5)] * members, count=3120)) for members in (1, 4, 6, 8)] == [
            5,
            5,
            5,
            6,
        ]

    @pytest.mark.parametrize("members", [4, 8, 16, 32])
    def test_leaves_room_for_two_directions_in_a_page_of_150_kb(self, members):
        draw = np.random.default_rng(1)
        wandering = [np.clip(0.5 + np.cumsum(draw.normal(0, 0.01, 3120)), 0, 1) for _ in range(members)]

        drawn = both(a_plot(*wandering, count=3120, even_split=np.full(3120, 0.5)))

        assert len(gzip.compress(drawn.encode())) < 60_000


class TestColumns:
    def test_hold_the_least_and_the_most_of_their_windows(self):
        found = columns(np.array([0.1, 0.9, 0.8, 0.2, 0.5]), 3)

        assert (found.windows, found.low.tolist(), found.high.tolist()) == (2, [0.1, 0.2, 0.5], [0.9, 0.8, 0.5])
        assert found.falls.tolist() == [False, True, False]
        assert not found.broken.any()

    def test_are_broken_by_one_unknown_window_and_keep_what_is_known(self):
        found = columns(np.array([0.1, 0.1, NAN, 0.9, 0.1, 0.1]), 3)

        assert found.high.tolist() == [0.1, 0.9, 0.1]
        assert runs(found) == [(0, 1), (1, 2), (2, 3)]
        assert holes(found) == [(1, 2)]

    @given(figures_with_holes, st.integers(1, 70))
    def test_keep_every_extreme_and_every_hole(self, figures, most):
        found = columns(figures, most)

        assert len(found.low) <= most
        if np.isfinite(figures).any():
            assert (np.nanmin(found.low), np.nanmax(found.high)) == (np.nanmin(figures), np.nanmax(figures))
        column = np.arange(len(figures)) // found.windows
        assert set(np.flatnonzero(found.broken).tolist()) == set(column[np.isnan(figures)].tolist())
        joined = {at for a, b in runs(found) if b - a > 1 for at in range(a, b)}
        assert joined.isdisjoint(column[np.isnan(figures)].tolist())

    @given(figures_with_holes)
    def test_are_the_windows_themselves_where_there_is_room(self, figures):
        found = columns(figures, len(figures))

        np.testing.assert_array_equal(found.low, figures)
        np.testing.assert_array_equal(found.high, figures)


class TestInstants:
    @pytest.mark.parametrize(
        ("hours", "first", "apart_min"), [(2, "10:00", 15), (26, "12:00", 180), (14 * 24, "00:00", 2880)]
    )
    def test_are_round_in_utc(self, hours, first, apart_min):
        # EPOCH_MS is 2026-11-25T10:00:00Z.
        found = instants(EPOCH_MS, hours * 3_600_000, 746)

        assert clock(found[0]) == first
        assert {b - a for a, b in pairwise(found)} == {apart_min * 60_000}

    @given(st.integers(0, 2**41), st.integers(1000, 400 * 86_400_000))
    def test_lie_within_and_are_few(self, first_ms, span_ms):
        found = instants(first_ms, span_ms, 746)

        assert len(found) <= 30
        assert all(first_ms <= at <= first_ms + span_ms for at in found)


class TestShares:
    def test_are_quarters_and_fewer_where_the_scale_is_tall(self):
        assert shares(1.0) == (0, 0.25, 0.5, 0.75, 1.0)
        assert len(shares(1600.0)) <= 9


class TestFrame:
    def test_keeps_what_is_outside_on_its_edge(self):
        found = frame(a_plot([0.5] * 4), 960, 320)

        assert (found.x(0), found.x(2**50)) == (64, 810)
        assert (found.y(-1), found.y(9)) == (274, 54)


class TestSpread:
    def test_leaves_names_where_their_lines_end_if_there_is_room(self):
        assert spread([200.0, 100.0], (0, 300)) == [200.0, 100.0]

    @given(st.lists(st.floats(0, 300), max_size=9))
    def test_keeps_names_apart_in_order_and_within(self, wanted):
        found = spread(wanted, (0, 300))

        assert all(-1e-9 <= y <= 300 + 1e-9 for y in found)
        heights = sorted(found)
        assert all(b - a >= APART - 1e-6 for a, b in pairwise(heights))
        order = sorted(range(len(wanted)), key=wanted.__getitem__)
        assert [found[at] for at in order] == heights
