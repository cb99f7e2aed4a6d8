"""The lab view in Chromium: traffic is pushed over HTTP in simulated time, lines part and come together."""

import browsing
import httpx
import pytest
from close_examples import seconds_after, told

APART, TOGETHER = (0.80, 0.10), (0.46, 0.44)
WAIT_MS = 10_000


class Clock:
    """A clock that stands where it is put, in seconds after the beginning."""

    after_s = 0

    def __call__(self):
        return seconds_after(self.after_s)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def base(sqlite_engine, clock):
    """Where a team is looked at of which one sample has come."""
    with browsing.serving(sqlite_engine, now_ms=clock) as base:
        push(base, told())
        yield base


def push(base, samples):
    answer = httpx.post(f"{base}/v1/samples", json={"samples": samples})
    assert answer.json()["rejected"] == []


def began(page, base):
    """A close look, begun by the page's own form."""
    page.goto(f"{base}/teams/1/lab")
    page.get_by_label("Seconds a window").select_option("5")
    page.get_by_role("button", name="Begin").click()
    page.wait_for_selector("#lab-mark")


def played(page, base, clock):
    """A minute apart, a change marked by its form, two minutes together: all by the page's own forms."""
    began(page, base)
    clock.after_s = 60
    push(base, told((60, APART)))
    page.get_by_label("What you changed").fill("hashed by addresses and ports")
    page.get_by_role("button", name="It is changed now").click()
    page.wait_for_selector(".lab-change")
    clock.after_s = 180
    push(base, told((60, APART), (120, TOGETHER)))
    page.goto(f"{base}/teams/1/lab")


class TestWithoutScript:
    @pytest.fixture
    def page(self, browser):
        context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
        yield context.new_page()
        context.close()

    def test_begins_marks_follows_and_ends(self, page, base, clock):
        played(page, base, clock)
        said = page.locator("main").inner_text()

        assert "All members on their new shares 0 s after the change" in said
        assert "Evened out" in said
        assert page.locator("svg.plot:visible").count() == 2
        with page.expect_navigation():
            page.get_by_role("button", name="End it now").click()
        assert "ended at" in page.locator("#lab-state").inner_text()


class TestOnAPage:
    @pytest.fixture
    def page(self, browser):
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.broken = []
        page.on("pageerror", lambda error: page.broken.append(str(error)))
        page.on("console", lambda said: page.broken.append(said.text) if said.type == "error" else None)
        yield page
        context.close()

    @pytest.mark.parametrize("scheme", ["light", "dark"])
    def test_has_no_violation_and_no_side_scroll(self, page, base, clock, scheme):
        page.emulate_media(color_scheme=scheme)
        played(page, base, clock)
        browsing.faultless(page)
        for width in (390, 1280, 1920):
            page.set_viewport_size({"width": width, "height": 900})
            browsing.no_side_scroll(page)
        assert page.broken == []

    def test_is_valid(self, page, base, clock):
        browsing.valid(httpx.get(f"{base}/teams/1/lab").text)
        played(page, base, clock)
        browsing.valid(httpx.get(f"{base}/teams/1/lab").text)

    def test_is_worked_by_keys_alone(self, page, base, clock):
        page.goto(f"{base}/teams/1/lab")
        page.get_by_label("Minutes").focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("#lab-mark")
        clock.after_s = 10
        push(base, told((10, APART)))
        page.get_by_label("What you changed").focus()
        page.keyboard.type("hashed by ports")
        for _ in range(3):  # past the sort of change and what folds away, to the button
            page.keyboard.press("Tab")
        page.keyboard.press("Enter")

        assert page.locator(".lab-change").first.inner_text().startswith("10:00:10 egress: hashed by ports")

    def test_shows_figures_that_rest_gives(self, page, base, clock):
        played(page, base, clock)
        rest = httpx.get(f"{base}/v1/teams/1/close-look").json()
        page.locator("#lab-windows-egress summary").click()
        rows = page.locator("#lab-windows-egress tbody tr").all_inner_texts()
        newest = rest["directions"][0]["members"]

        assert len(rows) == len(rest["starts"]) == 36
        assert rows[0].split("\t")[1] == f"{100 * newest[0]['utilisation'][-1]:.1f} %"
        assert rows[0].split("\t")[3] == f"{100 * newest[1]['utilisation'][-1]:.1f} %"

    def test_follows_lines_that_come_together_without_a_reload(self, page, base, clock):
        began(page, base)
        clock.after_s = 60
        push(base, told((60, APART)))
        page.get_by_label("What you changed").fill("hashed by addresses and ports")
        page.get_by_role("button", name="It is changed now").click()
        page.wait_for_selector(".lab-change")
        assert "Not yet" in page.locator(".lab-change").first.inner_text()
        page.evaluate("window.stays = true")
        page.get_by_label("What you changed").fill("half a sent")
        for after_s, windows in ((65, 13), (70, 14), (120, 24)):
            clock.after_s = after_s
            push(base, told((60, APART), (after_s - 60, TOGETHER)))
            page.get_by_text(f"{windows} windows, egress").wait_for()

        assert "All members on their new shares 0 s after" in page.locator(".lab-change").first.inner_text()
        assert "Evened out" in page.locator(".lab-change").first.inner_text()
        assert page.evaluate("window.stays")
        assert page.get_by_label("What you changed").input_value() == "half a sent"
        assert page.broken == []
