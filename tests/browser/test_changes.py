"""Changes recorded in Chromium, by hand and by keyboard, and their pages looked at."""

import browsing
import pytest
from examples import EPOCH_MS, a_finding
from web_examples import NOW_MS

from service.storage import findings, inventory
from service.terms import PortName

NEW = "/changes/new?team=1&team=2"


@pytest.fixture
def base(sqlite_engine):
    names = [PortName("sm-07", "m1", "front"), PortName("sm-08", "m1", "front")]
    with sqlite_engine.begin() as connection:
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
        findings.save(connection, 1, a_finding(id="f1"))
    with browsing.serving(sqlite_engine, now_ms=lambda: NOW_MS) as base:
        yield base


def recorded(page, base):
    page.goto(base + NEW)
    page.get_by_label("What was changed").fill("hashed by addresses and ports")
    page.get_by_label("Sort of change").select_option("method")
    page.get_by_label("When it was made").fill("2026-11-25T10:01")
    page.get_by_label("Seconds to settle").fill("60")
    page.get_by_label("Its number in your own").fill("CH-12")
    page.get_by_label("Who made it").fill("R. Olin")
    page.get_by_role("button", name="Record it").click()


class TestRecording:
    def test_takes_what_every_field_says(self, page, base):
        recorded(page, base)

        assert page.get_by_role("heading", level=1).inner_text() == "Change: hashed by addresses and ports"
        assert "Made at 2026-11-25 10:01:00 UTC by R. Olin, reference CH-12" in page.inner_text("main")

    def test_works_by_keyboard_and_without_script(self, browser, base):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(base + NEW)
        page.get_by_label("What was changed").focus()
        page.keyboard.type("cabled anew")
        for _ in range(20):
            page.keyboard.press("Tab")
            if page.locator("button:focus", has_text="Record it").count():
                break
        with page.expect_navigation():
            page.keyboard.press("Enter")

        assert page.get_by_role("heading", level=1).inner_text() == "Change: cabled anew"
        context.close()


class TestPages:
    @pytest.mark.parametrize("scheme", browsing.SCHEMES)
    def test_have_no_barriers_and_no_side_scroll_on_a_phone(self, page, base, scheme):
        page.set_viewport_size({"width": 390, "height": 844})
        page.emulate_media(color_scheme=scheme)
        recorded(page, base)
        for place in (page.url, f"{base}/changes", base + NEW):
            page.goto(place)
            browsing.faultless(page)
            browsing.no_side_scroll(page)

    def test_are_valid(self, page, base):
        recorded(page, base)
        for place in (page.url, f"{base}/changes", base + NEW):
            browsing.valid(page.request.get(place).text())
