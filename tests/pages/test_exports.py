import re

import pytest
from web_examples import NOW_MS, a_key, asked

from service.pages import site
from service.storage import inventory
from service.terms import PortName


@pytest.fixture
def pages(sqlite_engine):
    with sqlite_engine.begin() as connection:
        inventory.resolve(connection, [PortName("sm-07", f"m{k}", "front") for k in (1, 2)], feed="push", now_ms=NOW_MS)
    http = asked(sqlite_engine)
    site.add(http.app)
    return http


FORMS = re.compile(r'<form class="fields" method="get" action="([^"]+)"')


class TestListing:
    def test_has_a_form_for_each_file(self, pages):
        text = pages.get("/exports").text

        nouns = [action.removeprefix("/exports/") for action in FORMS.findall(text)]
        described = pages.get("/openapi.json").json()["paths"]
        assert sorted(f"/v1/exports/{noun}" for noun in nouns) == sorted(p for p in described if "/exports/" in p)

    def test_fills_in_what_the_address_names(self, pages):
        text = pages.get("/exports", params={"team_id": 7, "device": "sm<07"}).text

        assert text.count('name="team_id" value="7"') == 4
        assert 'value="sm&lt;07"' in text

    def test_warns_of_who_talks_to_whom(self, pages):
        assert "reveal who talks to whom" in pages.get("/exports").text


class TestFiles:
    @pytest.mark.parametrize("noun", ["findings", "teams", "changes", "windows", "rollups", "items"])
    def test_are_those_of_the_interface_with_what_was_left_blank_left_out(self, pages, noun):
        of_team = {"team_id": 1} if noun in {"windows", "rollups", "items"} else {}
        blank = {"findings": ("since", "device"), "teams": ("device",), "changes": ("since",)}.get(noun, ("from", "to"))

        file = pages.get(f"/exports/{noun}", params={**of_team, **dict.fromkeys(blank, ""), "format": "csv"})
        same = pages.get(f"/v1/exports/{noun}", params=of_team)

        assert (file.status_code, file.content) == (200, same.content)
        assert file.headers["content-disposition"].startswith("attachment")

    def test_are_a_page_in_words_where_something_is_wrong(self, pages):
        answer = pages.get("/exports/findings", params={"since": "yesterday"})

        assert answer.status_code == 400
        assert "since: is no instant" in answer.text
        assert answer.headers["content-type"].startswith("text/html")

    def test_are_for_whoever_may_look(self, sqlite_engine):
        http = asked(sqlite_engine, open_on_loopback=False)
        site.add(http.app)
        http.follow_redirects = False

        assert http.get("/exports/teams").status_code == 303
        assert http.get("/exports/teams", headers=a_key(sqlite_engine, "feed")).status_code == 403
        assert http.get("/exports/teams", headers=a_key(sqlite_engine, "view")).status_code == 200
