"""Pages that keep themselves up to date, in Chromium."""

from urllib.parse import urlsplit

import browsing
from playwright.sync_api import expect
from sqlalchemy import insert, select

from service.demo.plots import END_MS
from service.storage import tables

WAIT_MS = 15_000


class TestLive:
    def test_shows_news_without_a_reload_and_keeps_what_is_read(self, page, demo_engine):
        with browsing.serving(demo_engine) as address:
            with page.expect_response(lambda answer: "/live" in answer.url):
                page.goto(address)
            page.evaluate("window.same = true")
            page.wait_for_timeout(2_000)
            with demo_engine.begin() as connection:
                found = tables.findings.c.id
                one = connection.execute(select(found)).scalars().first()
                told = {"finding_id": one, "at_ms": END_MS, "what": "note", "text": "Looked at."}
                connection.execute(insert(tables.finding_history).values(told))
            with page.expect_response(lambda answer: urlsplit(answer.url).path == "/", timeout=WAIT_MS):
                pass
            assert page.evaluate("window.same")

    def test_says_when_the_connection_is_lost_and_when_it_is_back(self, page, sqlite_engine):
        with browsing.serving(sqlite_engine) as address:
            with page.expect_response(lambda answer: "/live" in answer.url):
                page.goto(address)
            port = urlsplit(address).port
        said = page.locator("#connection")
        expect(said).to_contain_text("lost", timeout=WAIT_MS)
        with browsing.serving(sqlite_engine, port=port):
            expect(said).to_contain_text("back", timeout=3 * WAIT_MS)
            assert said.get_attribute("role") == "status"
            page.goto("about:blank")

    def test_is_not_needed(self, browser, demo_url):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(demo_url)
        expect(page.locator("h1")).to_have_count(1)
        assert page.locator("#connection").inner_text() == ""
        context.close()
