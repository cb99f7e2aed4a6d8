import re

import pytest
from examples import EPOCH_MS
from web_examples import a_key, asked

from service.pages import site
from service.storage import inventory
from service.terms import PortName


@pytest.fixture
def http(sqlite_engine):
    names = [PortName("sm-07", "m1", "front"), PortName("sm-08", "m1", "front")]
    with sqlite_engine.begin() as connection:
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
    http = asked(sqlite_engine)
    site.add(http.app)
    http.follow_redirects = False
    return http


def hidden(http, **more):
    shown = http.get("/changes/new", **more).text
    return {name: re.search(rf'name="{name}" value="([^"]+)"', shown)[1] for name in ("token", "request")}


FIELDS = {"what": "hash <b> changed", "kind": "method", "reference": "CH-12", "settle": "300", "who": "R. Olin"}


def send(http, teams="sm-07/front", **more):
    return http.post("/changes/new", data={**hidden(http), **FIELDS, "teams": teams, **more})


class TestRecord:
    def test_records_one_at_many_teams_and_shows_it(self, http):
        answer = send(http, "sm-07/front\r\n\r\nsm-08/front", at="2026-11-25T10:01")

        assert answer.status_code == 303
        told = http.get(f"/v1{answer.headers['location']}").json()
        assert (told["at"], told["who"], told["reference"]) == ("2026-11-25T10:01:00Z", "R. Olin", "CH-12")
        assert {line["device"] for line in told["teams"]} == {"sm-07", "sm-08"}
        assert http.get(answer.headers["location"]).status_code == 200

    def test_records_once_what_is_sent_twice(self, http):
        fields = {**hidden(http), **FIELDS, "teams": "sm-07/front"}
        first, again = (http.post("/changes/new", data=fields) for _ in range(2))

        assert first.headers["location"] == again.headers["location"]
        assert len(http.get("/v1/changes").json()["items"]) == 1

    @pytest.mark.parametrize(
        ("more", "status", "said"),
        [
            ({"teams": "sm-07"}, 400, "device/team"),
            ({"teams": "sm-09/front"}, 404, "sm-09"),
            ({"at": "2027-01-01T00:00"}, 409, "still to come"),
            ({"settle": "soon"}, 400, "whole number"),
            ({"kind": "magic"}, 400, "kind"),
        ],
    )
    def test_says_what_is_refused_and_loses_nothing_typed(self, http, more, status, said):
        answer = send(http, **more)

        assert answer.status_code == status
        assert said in answer.text
        assert "hash &lt;b&gt; changed" in answer.text
        assert http.get("/v1/changes").json()["items"] == []

    def test_takes_no_form_without_its_token(self, http):
        assert send(http, token="guessed").status_code == 403

    def test_is_not_for_those_who_only_look(self, http, sqlite_engine):
        key = a_key(sqlite_engine, "view")

        assert "<form" not in http.get("/changes/new", headers=key).text.split("<main")[1].split("</main>")[0]
        assert http.post("/changes/new", data={"token": "any"}, headers=key).status_code == 403


class TestNew:
    def test_names_the_teams_it_is_opened_for(self, http):
        shown = http.get("/changes/new?team=1&team=2").text

        assert "sm-07/front\nsm-08/front" in shown
        assert "Follow your own change control." in shown


class TestListing:
    def test_shows_what_programs_are_told(self, http):
        send(http, "sm-07/front\nsm-08/front")
        shown, told = http.get("/changes").text, http.get("/v1/changes").json()["items"][0]

        assert f'href="/changes/{told["id"]}"' in shown
        assert told["at"] in shown
        assert "sm-07/front, sm-08/front" in shown
        assert "4 cannot tell yet" in shown

    def test_says_that_there_is_none(self, http):
        assert "No change is recorded here." in http.get("/changes").text


class TestOne:
    def test_of_a_change_that_is_not_there_is_none(self, http):
        assert http.get("/changes/cnone").status_code == 404
