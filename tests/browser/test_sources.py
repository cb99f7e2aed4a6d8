"""Sources over the demo's whole day, in Chromium."""

import httpx
import pytest
from browsing import SCHEMES, faultless, no_side_scroll, valid


class TestSources:
    @pytest.mark.parametrize("scheme", SCHEMES)
    @pytest.mark.parametrize("width", [390, 1280])
    def test_has_no_barrier_and_no_side_scroll(self, demo_url, page, scheme, width):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": 844})
        page.goto(f"{demo_url}/sources")

        no_side_scroll(page)
        faultless(page)

    def test_tells_the_states_of_rest_the_silent_first(self, demo_url, page):
        page.goto(f"{demo_url}/sources")
        items = httpx.get(f"{demo_url}/v1/sources", params={"limit": 100}).json()["items"]
        rows = page.locator("main tbody tr").all()
        shown = {row.locator("th").inner_text(): row.locator("td").first.inner_text().split(" ")[0] for row in rows}

        assert shown == {one["device"]: one["state"] for one in items}
        assert rows[0].locator("th").inner_text() == "uw-06"
        assert "Not seen: 1 of 24 sources are silent" in page.locator("main").inner_text()

    def test_is_searched_by_keyboard_and_without_script(self, demo_url, browser):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{demo_url}/sources")
        page.get_by_label("Parts of a device's name").fill("UW-0")
        page.keyboard.press("Enter")
        page.wait_for_url("**words=UW-0**")

        names = page.locator("main tbody th").all_inner_texts()
        assert names
        assert all(name.startswith("uw-0") for name in names)
        context.close()

    @pytest.mark.parametrize("query", ["", "?words=uw", "?words=nothing-of-that-name"])
    def test_is_valid(self, demo_url, query):
        valid(httpx.get(f"{demo_url}/sources{query}").text)
