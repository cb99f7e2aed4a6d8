"""Pages that keep themselves up to date, in Chromium."""

from urllib.parse import urlsplit

import browsing
import httpx
import pytest
from examples import EPOCH_MS
from playwright.sync_api import expect
from sqlalchemy import insert, select
from walks.traffic import polls, until

from service.demo.plots import END_MS
from service.evaluation import Evaluator, Policy
from service.storage import tables
from service.terms import Rule

WAIT_MS = 15_000
SAMPLES = polls((20, (0.60, 0.10)))


class Playing:
    """Two members whose samples come by HTTP, in time that goes on only when told to."""

    def __init__(self, engine):
        self.engine, self.after_s, self.base = engine, 0, ""

    def now_ms(self):
        return EPOCH_MS + 1000 * self.after_s

    def go_on(self, to_s):
        """Push what came meanwhile, and evaluate it."""
        new = [one for one in until(SAMPLES, to_s) if one not in until(SAMPLES, self.after_s)]
        self.after_s = to_s
        assert httpx.post(f"{self.base}/v1/samples", json={"samples": new}).json()["rejected"] == []
        Evaluator(self.engine, Policy(lambda _device, _team: Rule())).run(self.now_ms() + 60_000)


@pytest.fixture
def playing(sqlite_engine):
    played = Playing(sqlite_engine)
    with browsing.serving(sqlite_engine, now_ms=played.now_ms) as played.base:
        played.after_s = -1
        played.go_on(300)
        yield played


def watched(page, address):
    """The page, once it listens; what a reload would forget is set."""
    with page.expect_response(lambda answer: "/live" in answer.url):
        page.goto(address)
    page.wait_for_function("document.readyState === 'complete'")
    page.evaluate("window.same = true")
    page.wait_for_timeout(2_500)  # until the watcher has looked once: only what differs from then on is news


class TestNewWindow:
    def test_is_shown_without_a_reload(self, page, playing):
        watched(page, f"{playing.base}/teams/1")
        now = page.locator("#now")
        expect(now).to_contain_text("10:04:00")

        playing.go_on(390)

        expect(now).to_contain_text("10:05:30", timeout=WAIT_MS)
        row = page.locator("#chart-egress table tbody tr").filter(has_text="10:05:30")
        expect(row).to_have_count(1)
        assert page.evaluate("window.same")

    def test_leaves_what_is_read_typed_and_opened(self, page, playing):
        page.set_viewport_size({"width": 390, "height": 600})
        watched(page, f"{playing.base}/teams/1")
        table = page.locator("#chart-egress details")
        table.locator("summary").press("Enter")
        link = page.locator("#member-2 a").first
        link.focus()
        page.evaluate("window.scrollTo(0, 300)")

        playing.go_on(390)
        expect(page.locator("#now")).to_contain_text("10:05:30", timeout=WAIT_MS)

        assert table.evaluate("one => one.open")
        assert link.evaluate("one => one === document.activeElement")
        assert page.evaluate("window.scrollY") == 300

    def test_leaves_a_form_that_is_being_filled(self, page, playing):
        watched(page, f"{playing.base}/teams/1/lab")
        page.get_by_label("Seconds a window").select_option("15")
        page.get_by_label("Minutes").fill("7")
        token = page.locator("#lab-begin input[name=token]")
        before = token.input_value()

        playing.go_on(390)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")  # it asks anew when it is seen again

        expect(page.locator("main")).to_contain_text("10:06:30", timeout=WAIT_MS)
        assert (page.get_by_label("Seconds a window").input_value(), page.get_by_label("Minutes").input_value()) == (
            "15",
            "7",
        )
        assert token.input_value() != before
        assert page.evaluate("window.same")


class TestHidden:
    def test_asks_for_nothing_while_hidden_and_is_up_to_date_when_seen_again(self, page, playing):
        watched(page, f"{playing.base}/teams/1")
        page.evaluate("""() => {
          window.away = true;
          Object.defineProperty(document, "hidden", { get: () => window.away });
          document.dispatchEvent(new Event("visibilitychange"));
        }""")
        asked = []
        page.on("request", lambda request: asked.append(request.url))

        playing.go_on(390)
        page.wait_for_timeout(3_000)
        assert asked == []

        page.evaluate("() => { window.away = false; document.dispatchEvent(new Event('visibilitychange')); }")
        expect(page.locator("#now")).to_contain_text("10:05:30", timeout=WAIT_MS)


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
        # A browser without a screen that takes a page for hidden lets it rest, and that is none of this.
        page.add_init_script("Object.defineProperty(document, 'hidden', { get: () => false })")
        tried = []
        page.on("requestfailed", lambda request: tried.append(f"{request.url}: {request.failure}"))
        page.on("response", lambda response: tried.append(f"{response.url}: {response.status}"))
        with browsing.serving(sqlite_engine) as address:
            with page.expect_response(lambda answer: "/live" in answer.url):
                page.goto(address)
            port = urlsplit(address).port
        said = page.locator("#connection")
        expect(said).to_contain_text("lost", timeout=WAIT_MS)
        with browsing.serving(sqlite_engine, port=port):
            try:
                expect(said).to_contain_text("back", timeout=12 * WAIT_MS)  # it waits longer each time, up to 38 s
            except AssertionError as wrong:
                raise AssertionError(f"{tried}, {httpx.get(address, timeout=20)}") from wrong
            assert said.get_attribute("role") == "status"
            page.goto("about:blank")

    def test_is_not_needed(self, browser, demo_url):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(demo_url)
        expect(page.locator("h1")).to_have_count(1)
        assert page.locator("#connection").inner_text() == ""
        context.close()
