import pytest
from examples import EPOCH_MS, a_finding
from walks.traffic import polls
from web_examples import asked

from service.pages import site, teams
from service.storage import findings, inventory
from service.terms import PortName


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine)
    site.add(http.app)
    return http


@pytest.fixture
def pushed(http):
    assert http.post("/v1/samples", json={"samples": polls((1, (0.5, 0.5)))}).json()["rejected"] == []
    return http


def keep_teams(engine, count, device="sw-{:04}"):
    names = [PortName(device.format(k), f"m{port}", "front", "ip-pair") for k in range(count) for port in (1, 2)]
    with engine.begin() as connection:
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)


class TestTeams:
    def test_lists_every_team_with_a_box_that_leads_to_a_change(self, pushed):
        html = pushed.get("/teams").text

        assert '<a href="/teams/1">front</a>' in html
        assert 'name="team" value="1"' in html
        assert pushed.get("/changes/new", params={"team": 1}).status_code == 200

    def test_says_that_the_last_window_is_unknown_where_none_was_decided(self, pushed):
        assert pushed.get("/teams").text.count("<td>unknown</td>") == 2

    def test_says_so_where_there_is_no_such_team(self, pushed):
        html = pushed.get("/teams", params={"words": "xx"}).text

        assert "No such team" in html
        assert "/teams/1" not in html

    def test_says_so_where_there_is_none_at_all(self, http):
        assert "No team is known yet" in http.get("/teams").text

    def test_finds_by_parts_of_names_and_keeps_what_was_typed(self, pushed):
        html = pushed.get("/teams", params={"words": 'M-07 "FRO', "method": "", "only": ""}).text

        assert "No such team" in html
        assert 'value="M-07 &#34;FRO"' in html
        assert "Teams as asked for: 1<" in pushed.get("/teams", params={"words": "M-07 FRO"}).text

    def test_leads_to_what_is_open(self, http, sqlite_engine):
        keep_teams(sqlite_engine, 2)
        with sqlite_engine.begin() as connection:
            findings.save(connection, 2, a_finding(kind="uneven", severity="minor"))

        html = http.get("/teams", params={"only": "open"}).text

        assert "Teams as asked for: 1<" in html
        assert ">minor, uneven</a>" in html

    def test_goes_on_page_by_page_with_what_was_asked_for(self, http, sqlite_engine):
        keep_teams(sqlite_engine, teams.A_PAGE + 1)

        html = http.get("/teams", params={"words": "front", "method": "ip-pair"}).text
        more = html.split('href="/teams?')[1].split('"')[0].replace("&amp;", "&")

        assert "Teams as asked for: 101<" in html
        assert html.count('type="checkbox"') == teams.A_PAGE
        following = http.get(f"/teams?{more}").text
        assert "sw-0100" in following
        assert following.count('type="checkbox"') == 1
        assert "From the beginning" in following

    @pytest.mark.parametrize("asked_for", [{"device": "sm-07"}, {"only": "some"}, {"cursor": "xx"}])
    def test_refuses_what_it_does_not_know(self, http, asked_for):
        assert http.get("/teams", params=asked_for).status_code == 400

    def test_takes_foreign_text_for_text(self, http, sqlite_engine):
        keep_teams(sqlite_engine, 1, device="<img src=x>{}")

        html = http.get("/teams").text

        assert "<img" not in html
        assert "&lt;img src=x&gt;0" in html
