"""The week of the demo's day in Chromium."""

import io

import browsing
import pypdf
import pytest

from service.demo.plots import END_MS
from service.evaluation import Policy, days
from service.terms import Rule


@pytest.fixture
def base(demo_engine):
    days.bring_up_to_date(demo_engine, Policy(lambda _device, _team: Rule()), END_MS)
    with browsing.serving(demo_engine) as base:
        yield base


def figures(page):
    """Their words."""
    return page.locator("main dd, main td.figure").all_inner_texts()


class TestWeek:
    def test_shows_the_figures_of_rest_and_of_the_pdf(self, page, base):
        page.goto(f"{base}/week")
        told = page.request.get(f"{base}/v1/week").json()["figures"]
        sheet = pypdf.PdfReader(io.BytesIO(page.request.get(f"{base}/week/file?format=pdf").body()))
        words = " ".join(one.extract_text() for one in sheet.pages).replace("\n", " ")

        assert len(told) > 50
        assert figures(page) == [one["words"] for one in told if one["unit"]]
        assert all(text in words for text in figures(page))

    @pytest.mark.parametrize("scheme", browsing.SCHEMES)
    def test_has_no_barriers_and_no_side_scroll_on_a_phone(self, page, base, scheme):
        page.set_viewport_size({"width": 390, "height": 844})
        page.emulate_media(color_scheme=scheme)
        page.goto(f"{base}/week")
        browsing.faultless(page)
        browsing.no_side_scroll(page)

    def test_leads_from_a_figure_to_its_windows_by_keyboard_and_without_script(self, browser, base):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{base}/week")
        page.locator("td.figure a").first.focus()
        with page.expect_navigation():
            page.keyboard.press("Enter")

        assert "/teams/" in page.url
        assert page.locator("svg").count() >= 1
        context.close()

    def test_is_valid(self, page, base):
        browsing.valid(page.request.get(f"{base}/week").text())

    def test_gives_a_file_to_keep(self, page, base):
        page.goto(f"{base}/week")
        with page.expect_download() as download:
            page.get_by_role("link", name="This week as PDF").click()

        assert download.value.suggested_filename.startswith("week-")
