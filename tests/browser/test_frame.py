"""The frame of every page in Chromium."""

import browsing
import pytest


class TestFrame:
    @pytest.mark.parametrize("scheme", ["light", "dark"])
    def test_has_no_barrier(self, page, demo_url, scheme):
        page.emulate_media(color_scheme=scheme)
        page.goto(demo_url)
        browsing.faultless(page)

    def test_is_valid_and_no_wider_than_a_phone(self, page, demo_url):
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(demo_url)
        browsing.no_side_scroll(page)
        browsing.valid(page.request.get(demo_url).text())
