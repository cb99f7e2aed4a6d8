"""Exports, stories and what teaches, in Chromium: by keyboard, on a phone, on paper, without a script."""

import io

import browsing
import pytest
from pypdf import PdfReader
from web_examples import NOW_MS

from service.storage import inventory
from service.terms import PortName

ADDRESSES = [
    "/exports",
    "/learn",
    "/learn/odds",
    "/learn/addresses",
    "/learn/frames",
    "/stories",
    "/stories/two-heavy-virtual-ports-on-one-member",
]


@pytest.fixture
def served(sqlite_engine):
    with sqlite_engine.begin() as connection:
        inventory.resolve(connection, [PortName("sm-07", f"m{k}", "front") for k in (1, 2)], feed="push", now_ms=NOW_MS)
    with browsing.serving(sqlite_engine) as address:
        yield address


@pytest.mark.parametrize("address", ADDRESSES)
class TestEach:
    def test_has_no_fault_in_light_and_dark_and_on_a_phone(self, page, served, address):
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size({"width": 390, "height": 844})
            page.goto(served + address)
            browsing.faultless(page)
            browsing.no_side_scroll(page)

    def test_is_html_as_it_should_be(self, page, served, address):
        browsing.valid(page.request.get(served + address).text())


class TestExports:
    def test_saves_a_file_by_keyboard_without_a_script(self, browser, served):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{served}/exports")
        page.locator("#teams-device").focus()
        page.keyboard.type("sm-07")

        with page.expect_download() as saved:
            page.keyboard.press("Enter")

        assert saved.value.suggested_filename.startswith("lopside-teams-")
        with open(saved.value.path(), "rb") as file:
            assert file.read().splitlines()[0].startswith(b"device,team,method")
        context.close()


class TestLearning:
    def test_reckons_what_was_typed(self, page, served):
        page.goto(f"{served}/learn/odds")
        page.get_by_label("Equal conversations").fill("4")
        page.get_by_role("button", name="Reckon").click()

        # By hand: four on two are all together in 2 of 16 draws.
        assert "12.500 %" in page.locator("main").inner_text()


class TestPaper:
    @pytest.mark.parametrize("address", ["/stories/two-heavy-virtual-ports-on-one-member", "/learn/odds"])
    def test_has_the_content_and_no_navigation(self, page, served, address):
        page.goto(served + address)

        text = " ".join(sheet.extract_text() for sheet in PdfReader(io.BytesIO(page.pdf())).pages)

        assert page.locator("h1").inner_text() in " ".join(text.split())
        assert "Sources" not in text
        assert "Reckon" not in text
        page.emulate_media(media="print")
        drawn = page.locator("main a").first.evaluate("one => getComputedStyle(one).textDecorationLine")
        assert drawn == "underline"
