import re

import pytest
from web_examples import asked
from weekly_examples import TO_MS, before, days

from service.pages import site
from service.storage import inventory, team_days
from service.terms import PortName


@pytest.fixture
def http(sqlite_engine):
    """Days of five teams; the last has markup for a name."""
    with sqlite_engine.begin() as connection:
        names = [PortName(f"sm-0{number}", port, "front") for number in range(1, 5) for port in ("m1", "m2")]
        inventory.resolve(connection, [*names, PortName("sm-05", "m1", "<b>front</b>")], feed="push", now_ms=TO_MS)
        team_days.write(connection, [*days(), *before()], TO_MS)
    http = asked(sqlite_engine, now_ms=lambda: TO_MS + 3_600_000)
    site.add(http.app)
    return http


def cells(html):
    """The words of all figures, without their links."""
    found = re.findall(r'<dd>(.*?)</dd>|<td class="figure">(.*?)</td>', html)
    return [re.sub(r"<[^>]*>", "", one or other) for one, other in found]


class TestWeek:
    def test_shows_the_words_of_every_figure_that_rest_tells(self, http):
        told = http.get("/v1/week").json()
        html = http.get("/week").text

        assert cells(html) == [one["words"] for one in told["figures"] if one["unit"]]
        for sentence in told["sentences"]:
            assert sentence in html

    def test_leads_to_windows_that_are_there(self, http):
        """The addresses of figures are those of pages that answer."""
        links = set(re.findall(r'href="(/teams/[^"]*until=[^"]*)"', http.get("/week").text))

        assert len(links) >= 4
        for link in links:
            assert http.get(link.replace("&amp;", "&")).status_code == 200

    def test_leads_to_the_week_before_and_from_there_back(self, http):
        before = http.get("/week", params={"until": "2025-11-24T00:00:00Z"}).text

        assert "/week?until=2025-11-24T00%3A00%3A00Z" in http.get("/week").text
        assert "The week after" in before
        assert "The week after" not in http.get("/week").text

    @pytest.mark.parametrize("form", ["pdf", "csv", "json"])
    def test_gives_the_files_that_programs_are_given(self, http, form):
        file = http.get("/week/file", params={"format": form})

        assert file.content == http.get("/v1/week", params={"format": form}).content

    def test_of_a_week_without_days_says_so(self, http):
        assert "nothing is known of it" in http.get("/week", params={"until": "2020-01-01T00:00:00Z"}).text

    def test_refuses_a_time_that_is_none_as_a_page(self, http):
        answer = http.get("/week", params={"until": "soon"})

        assert answer.status_code == 400
        assert "<h1>" in answer.text

    @pytest.mark.parametrize("until", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
    def test_shows_the_first_and_the_last_week_there_is(self, http, until):
        assert http.get("/week", params={"until": until}).status_code == 200
