import pytest
from walks.traffic import polls
from web_examples import asked

from service.pages import site


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine)
    site.add(http.app)
    assert http.post("/v1/samples", json={"samples": polls((1, (0.5, 0.5)))}).json()["rejected"] == []
    return http


class TestTeams:
    def test_lists_every_team_with_a_box_that_leads_to_a_change(self, http):
        html = http.get("/teams").text

        assert '<a href="/teams/1">front</a>' in html
        assert 'name="team" value="1"' in html
        assert http.get("/changes/new", params={"team": 1}).status_code == 200

    def test_of_another_device_are_none(self, http):
        assert "/teams/1" not in http.get("/teams", params={"device": "xx"}).text
