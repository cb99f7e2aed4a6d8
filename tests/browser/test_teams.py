"""Teams over the demo's whole day, in Chromium."""

import httpx
import pytest
from browsing import faultless, no_side_scroll, valid


def windows_of(url, team_id):
    """The last decided window in both directions, as REST tells it."""
    decided = httpx.get(f"{url}/v1/teams/{team_id}").json()["decided_at"]
    items = httpx.get(
        f"{url}/v1/teams/{team_id}/windows", params={"from": "2026-06-03T02:20:00Z", "to": decided}
    ).json()
    return {one["direction"]: one for one in items["items"]}


class TestTeams:
    @pytest.mark.parametrize("scheme", ["light", "dark"])
    @pytest.mark.parametrize("width", [390, 1280])
    def test_has_no_barrier_and_no_side_scroll(self, demo_url, page, scheme, width):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": 844})
        page.goto(f"{demo_url}/teams")

        no_side_scroll(page)
        faultless(page)

    def test_shows_sixty_four_teams_in_a_few_screens(self, demo_url, page):
        page.set_viewport_size({"width": 1280, "height": 900})
        page.goto(f"{demo_url}/teams")

        assert page.locator("table input[type=checkbox]").count() == 64
        assert page.evaluate("document.documentElement.scrollHeight") < 4 * 900

    def test_tells_the_figures_of_rest(self, demo_url, page):
        page.goto(f"{demo_url}/teams")
        compared = 0
        for row in page.locator("tr[id^=team-]").all()[::9]:
            windows = windows_of(demo_url, row.get_attribute("id").removeprefix("team-"))
            cells = row.locator("td").all_inner_texts()[:2]
            for cell, direction in zip(cells, ("egress", "ingress"), strict=True):
                known = [one for one in windows[direction]["members"] if one["utilisation"] is not None]
                fullest = max(known, key=lambda one: one["utilisation"])
                assert cell.startswith(f"{fullest['port']} {fullest['utilisation'] * 100:.0f} %")
                compared += 1
        assert compared > 10

    def test_is_searched_by_keyboard_and_leads_to_a_team(self, demo_url, page):
        page.goto(f"{demo_url}/teams")
        page.get_by_label("Parts of a device's").fill("sm-11 front")
        page.get_by_role("combobox", name="Findings").select_option("open")
        page.get_by_role("button", name="Show").press("Enter")
        page.wait_for_url("**words=sm-11**")

        assert page.locator("tr[id^=team-]").count() == 1
        faultless(page)
        page.locator("tr[id^=team-] th a").first.press("Enter")
        page.wait_for_url("**/teams/*")
        assert "sm-11" in page.locator("h1").inner_text()

    def test_leads_to_the_working_of_each_figure(self, demo_url, page):
        page.goto(f"{demo_url}/teams?words=sm-07+front")
        link = page.locator("td a[href*='/working?']").first
        words = link.inner_text()
        link.click()
        page.wait_for_url("**/working?**")

        assert words.split(" ")[0] in page.locator("main").inner_text()

    def test_takes_those_chosen_to_the_form_of_a_change(self, demo_url, browser):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{demo_url}/teams?words=sm-07")
        for name in ("front", "store"):
            page.get_by_role("checkbox", name=f"Choose {name} of sm-07").check()
        page.get_by_role("button", name="Record a change at those chosen").click()
        page.wait_for_url("**/changes/new?**")

        assert {"sm-07/front", "sm-07/store"} <= set(page.locator("#change-teams").input_value().split())
        context.close()

    @pytest.mark.parametrize("query", ["", "?words=sm-07", "?words=nowhere"])
    def test_is_valid(self, demo_url, query):
        valid(httpx.get(f"{demo_url}/teams{query}").text)
