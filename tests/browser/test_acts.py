"""What may be done with a finding, done in Chromium: by its forms, by keyboard, and refused to others."""

import browsing
import httpx
import pytest
from examples import EPOCH_MS, a_finding
from web_examples import NOW_MS, a_key

from service.storage import findings, inventory
from service.terms import PortName

ADDRESS = "/findings/f1"


@pytest.fixture
def base(sqlite_engine):
    with sqlite_engine.begin() as connection:
        inventory.resolve(connection, [PortName("sm-07", "m1", "front")], feed="push", now_ms=EPOCH_MS)
        findings.save(connection, 1, a_finding(id="f1"))
    with browsing.serving(sqlite_engine, now_ms=lambda: NOW_MS) as base:
        yield base


@pytest.fixture(params=[True, False], ids=["script", "no script"])
def page(browser, request):
    """A phone with script, and one without."""
    context = browser.new_context(java_script_enabled=request.param, viewport={"width": 390, "height": 844})
    yield context.new_page()
    context.close()


def told(base):
    return httpx.get(f"{base}/v1{ADDRESS}").json()


def past(base):
    return [(one["what"], one["who"], one["text"]) for one in told(base)["history"]]


def did(page, base, act, **fields):
    """Opens what is folded away, fills its fields by their labels, and sends it by its own button."""
    page.goto(base + ADDRESS)
    folded = page.locator(f"#acts-{act}")
    folded.locator("summary").press("Enter")
    form = folded.locator("form").first
    for label, text in fields.items():
        field = form.get_by_label(label.replace("_", " "), exact=False)
        if field.evaluate("one => one.tagName") == "SELECT":
            field.select_option(label=text)
        else:
            field.fill(text)
    with page.expect_navigation():
        form.get_by_role("button").press("Enter")


class TestActs:
    def test_takes_it(self, page, base):
        did(page, base, "ack", A_note="at it", Your_name="R. Olin")

        assert told(base)["operator_state"] == "ack"
        assert past(base) == [("ack", "R. Olin", "at it")]
        assert "Taken by R. Olin." in page.locator("#acts").inner_text()
        assert "taken, by R. Olin" in page.locator("main").inner_text()

    def test_notes_something(self, page, base):
        did(page, base, "note", What_to_note="<b>looked</b> & saw", Your_name="R. Olin")

        assert past(base) == [("note", "R. Olin", "<b>looked</b> & saw")]
        assert "<b>looked</b> & saw" in page.locator("main").inner_text()

    def test_shelves_it_moves_the_end_and_takes_it_off(self, page, base):
        did(page, base, "shelve", Until="In 4 h", Why="a planned copy", Your_name="R. Olin")
        assert told(base)["shelved_until_at"] == "2026-11-25T14:02:00Z"
        assert "Shelved by R. Olin until" in page.locator("#acts").inner_text()

        did(page, base, "shelve", Until="Tomorrow 08:00 UTC", Why="it takes longer", Your_name="R. Olin")
        assert told(base)["shelved_until_at"] == "2026-11-26T08:00:00Z"

        did(page, base, "unshelve", A_note="done", Your_name="R. Olin")
        assert told(base)["operator_state"] == "none"

    def test_closes_it(self, page, base):
        did(page, base, "close", A_note="moved the copy", Your_name="R. Olin")

        assert told(base)["operator_state"] == "closed"
        assert told(base)["cleared_at"] is None
        assert "Closed by R. Olin; it is still measured." in page.locator("#acts").inner_text()

    def test_marks_it_as_wrong_and_takes_that_back(self, page, base):
        did(page, base, "wrong", Why_it="A speed is wrong", Your_name="R. Olin")
        assert "Marked as wrong: a speed is wrong." in page.locator("#judged").inner_text()

        page.locator("#acts-wrong summary").press("Enter")
        with page.expect_navigation():
            page.get_by_role("button", name="It was right after all").press("Enter")
        assert page.locator("#judged").count() == 0
        assert [what for what, _, _ in past(base)] == ["wrong", "right"]

    def test_says_why_it_was_refused_and_shows_what_was_typed(self, page, base):
        did(page, base, "wrong", Why_it="Something else, as the note says", Your_name="R. Olin")

        assert "note" in page.locator("main").inner_text()
        assert past(base) == []
        page.get_by_role("link", name="Back").or_(page.locator(f"main a[href='{ADDRESS}']")).first.click()
        page.wait_for_url(f"**{ADDRESS}")

    def test_leads_to_no_barrier_with_all_that_is_folded_opened(self, page, base):
        page.goto(base + ADDRESS)
        for summary in page.locator("#acts summary").all():
            summary.press("Enter")

        browsing.no_side_scroll(page)
        assert page.locator("#acts form:visible").count() == page.locator("#acts form").count() > 4


class TestOpened:
    def test_has_no_barrier(self, browser, base):
        for scheme in browsing.SCHEMES:
            context = browser.new_context(viewport={"width": 390, "height": 844}, color_scheme=scheme)
            page = context.new_page()
            page.goto(base + ADDRESS)
            for summary in page.locator("#acts summary").all():
                summary.click()
            browsing.faultless(page)
            context.close()


class TestOthers:
    def test_who_may_only_look_is_shown_no_form(self, browser, base, sqlite_engine):
        context = browser.new_context(extra_http_headers=a_key(sqlite_engine, "view"))
        page = context.new_page()
        page.goto(base + ADDRESS)

        assert page.locator("#acts form").count() == 0
        assert "You may look." in page.locator("#acts").inner_text()
        context.close()

    def test_a_page_of_another_site_changes_nothing(self, browser, base, sqlite_engine):
        context = browser.new_context()
        page = context.new_page()
        page.goto(base + ADDRESS)
        token = page.locator("#acts-close input[name=token]").first.get_attribute("value")
        far = "http://elsewhere.brackenhythe.example"
        form = (
            f'<form method="post" action="{base}{ADDRESS}/close"><input name="token" value="{token}">'
            "<button>Win</button></form>"
        )
        page.route(f"{far}/**", lambda route: route.fulfill(body=form, content_type="text/html"))
        page.goto(f"{far}/")
        with page.expect_response(lambda answer: answer.url.endswith("/close")) as sent:
            page.get_by_role("button", name="Win").click()

        assert sent.value.status == 403
        assert told(base)["operator_state"] == "none"
        context.close()
