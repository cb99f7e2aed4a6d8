"""Quiet times announced and ended in Chromium, and their page looked at."""

import browsing
import pytest
from web_examples import NOW_MS


@pytest.fixture
def base(sqlite_engine):
    with browsing.serving(sqlite_engine, now_ms=lambda: NOW_MS) as base:
        yield base


def announced(page, base, devices="sm-*"):
    page.goto(f"{base}/quiet")
    page.get_by_role("textbox", name="Devices").fill(devices)
    page.get_by_label("Begins").fill("2026-11-25T10:00")
    page.get_by_label("By the clock of").fill("Europe/Lisbon")
    page.get_by_label("Minutes").fill("120")
    page.get_by_label("Again").fill("FREQ=WEEKLY;BYDAY=WE")
    page.get_by_label("Because").fill("cabling")
    with page.expect_navigation():
        page.get_by_role("button", name="Announce it").click()


class TestAnnouncing:
    def test_takes_what_every_field_says_and_ends_by_a_press(self, page, base):
        announced(page, base)

        row = page.get_by_role("row", name="devices sm-*")
        assert "messages wait until 2026-11-25 12:00:00 UTC" in row.inner_text()
        assert "2026-12-02 10:00:00 UTC" in row.inner_text()
        page.goto(base)
        page.get_by_role("link", name="quiet time", exact=True).click()
        with page.expect_navigation():
            page.get_by_role("button", name="End the quiet time about devices sm-*").click()
        assert "None is announced." in page.inner_text("main")

    def test_says_what_is_wrong_and_keeps_what_was_typed(self, page, base):
        announced(page, base, devices=" ")

        assert "say whom it is about" in page.get_by_role("alert").inner_text()
        assert page.get_by_label("Because").input_value() == "cabling"

    def test_works_by_keyboard_and_without_script(self, browser, base):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        announced(page, base)
        button = page.get_by_role("button", name="End the quiet time")
        button.focus()
        with page.expect_navigation():
            page.keyboard.press("Enter")

        assert "Ended by hand" in page.inner_text("main")
        context.close()


class TestPage:
    @pytest.mark.parametrize("scheme", browsing.SCHEMES)
    def test_has_no_barriers_and_no_side_scroll_on_a_phone(self, page, base, scheme):
        page.set_viewport_size({"width": 390, "height": 844})
        page.emulate_media(color_scheme=scheme)
        announced(page, base)

        browsing.faultless(page)
        browsing.no_side_scroll(page)

    def test_is_valid(self, page, base):
        announced(page, base)
        browsing.valid(page.request.get(f"{base}/quiet").text())
        announced(page, base, devices=" ")
        browsing.valid(page.content())
