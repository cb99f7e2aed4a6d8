"""A team and the working of its figures in Chromium, over the demo's whole day."""

import browsing
import httpx
import pytest

TEAM = "sm-07"
SIZES = (390, 1280, 1920)


@pytest.fixture(scope="module")
def place(demo_url):
    """Where the team is whose member m1 runs hot."""
    every = httpx.get(f"{demo_url}/v1/teams", params={"device": TEAM}).json()["items"]
    (front,) = [one["id"] for one in every if one["team"] == "front"]
    return f"{demo_url}/teams/{front}"


@pytest.fixture
def phone(browser):
    """A page of a phone without script."""
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    yield context.new_page()
    context.close()


class TestTeam:
    @pytest.mark.parametrize("scheme", ["light", "dark"])
    @pytest.mark.parametrize("more", ["", "/working", "/changes", "/events"])
    def test_has_no_barrier_and_no_side_scroll(self, page, place, scheme, more):
        page.emulate_media(color_scheme=scheme)
        page.goto(f"{place}{more}")
        browsing.faultless(page)
        for width in SIZES:
            page.set_viewport_size({"width": width, "height": 900})
            browsing.no_side_scroll(page)

    @pytest.mark.parametrize("more", ["", "/working", "/changes", "/events"])
    def test_is_valid(self, place, more):
        browsing.valid(httpx.get(f"{place}{more}").text)

    def test_leads_a_phone_without_script_to_the_steps_of_a_figure(self, phone, place):
        phone.goto(place)
        figure = phone.locator("#member-1 a").first
        told = figure.inner_text()
        figure.click()

        assert phone.locator("#by-hand").inner_text().startswith(told.removesuffix(" %")[:3])
        assert phone.locator("ol.steps > li").count() == 5


class TestWorking:
    def test_is_asked_for_by_keys_alone_and_shows_what_rest_tells(self, page, place):
        page.goto(f"{place}/working")
        page.get_by_label("Member").focus()
        page.keyboard.type("m1")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        page.keyboard.press("Control+a")
        page.keyboard.type("2026-06-03 02:20:10")
        page.keyboard.press("Enter")
        page.wait_for_selector("#by-hand")
        rest = place.replace("/teams/", "/v1/teams/") + "/windows/2026-06-03T02:20:00Z/working"
        told = httpx.get(rest, params={"port": "m1", "direction": "egress"}).json()

        assert page.locator("#by-hand").inner_text() == f"{told['by_hand'] * 100:.4f} %"
        assert page.locator("#utilisation").inner_text() == f"{told['utilisation'] * 100:.4f} %"
        browsing.faultless(page)
        browsing.valid(page.content())
        page.set_viewport_size({"width": 390, "height": 844})
        browsing.no_side_scroll(page)

    def test_says_without_script_what_to_type(self, phone, place):
        phone.goto(f"{place}/working")
        phone.get_by_label("Any time within the window").fill("last night")
        phone.get_by_role("button", name="Show how it was worked out").click()

        assert "write it like 2026-11-25T10:00:00Z" in phone.get_by_role("alert").inner_text()
        assert phone.get_by_label("Any time within the window").input_value() == "last night"
