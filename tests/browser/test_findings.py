"""Findings and one finding over the demo's whole day, in Chromium."""

import httpx
import pytest
from browsing import faultless, no_side_scroll, valid


@pytest.fixture(scope="session")
def told(demo_url):
    """The newest finding of one team, as REST tells it."""
    items = httpx.get(f"{demo_url}/v1/findings").json()["items"]
    return next(one for one in items if not one["teams"])


class TestFindings:
    def test_leads_to_each_finding_by_keyboard(self, demo_url, page):
        page.goto(demo_url)
        link = page.locator("li a[href^='/findings/']").first
        to = link.get_attribute("href")

        link.press("Enter")

        page.wait_for_url(f"{demo_url}{to}")
        assert page.locator("h1").count() == 1

    @pytest.mark.parametrize("scheme", ["light", "dark"])
    def test_has_no_barrier_and_no_side_scroll_on_a_phone(self, demo_url, page, scheme):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(demo_url)

        no_side_scroll(page)
        faultless(page)

    def test_asks_for_what_was_cleared_without_a_barrier(self, demo_url, page):
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(demo_url)
        page.locator("#asking summary").press("Enter")
        page.get_by_label("Open or cleared").select_option("cleared")
        page.get_by_role("button", name="Show").press("Enter")
        page.wait_for_url("**state=cleared**")

        shown = page.locator("main li[id]").evaluate_all("each => each.map(one => one.id)")
        items = httpx.get(f"{demo_url}/v1/findings?state=cleared").json()["items"]
        assert sorted(shown) == sorted(one["id"] for one in items)
        no_side_scroll(page)
        faultless(page)

    @pytest.mark.parametrize("query", ["", "?state=cleared"])
    def test_is_valid(self, demo_url, query):
        valid(httpx.get(f"{demo_url}/{query}").text)


class TestFinding:
    def test_tells_the_figures_of_rest(self, demo_url, page, told):
        page.goto(f"{demo_url}/findings/{told['id']}")

        shown = page.locator("#members tbody td:nth-of-type(1)").all_inner_texts()
        figures = [one["utilisation"] for one in told["members"]]
        assert shown == ["unknown" if one is None else f"{one * 100:.1f} %" for one in figures]

    def test_is_whole_without_script(self, browser, demo_url, told):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{demo_url}/findings/{told['id']}")

        assert page.locator("svg.plot").count() >= 2
        assert page.locator("#first").inner_text()
        context.close()

    @pytest.mark.parametrize("scheme", ["light", "dark"])
    def test_has_no_barrier_and_no_side_scroll_on_a_phone(self, demo_url, page, told, scheme):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(f"{demo_url}/findings/{told['id']}")

        no_side_scroll(page)
        faultless(page)

    def test_shows_sentence_members_and_what_to_do_on_one_screen_of_a_phone(self, demo_url, page, told):
        # 390 x 844 is the screen that this project calls a phone; common practice, no source.
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(f"{demo_url}/findings/{told['id']}")

        box = page.locator("#first").bounding_box()

        assert box["y"] + box["height"] <= 844

    def test_is_valid(self, demo_url, told):
        valid(httpx.get(f"{demo_url}/findings/{told['id']}").text)
