import re

import pytest
from examples import EPOCH_MS, a_finding
from web_examples import NOW_MS, a_key, asked

from service.errors import WrongQuestion
from service.pages import acts, site
from service.pages.viewers import viewer_of
from service.storage import database, findings, inventory, judgements
from service.terms import PortName

HOUR_MS = 3_600_000


@pytest.fixture
def http(sqlite_engine):
    with sqlite_engine.begin() as connection:
        inventory.resolve(connection, [PortName("sm-07", "m1", "front")], feed="push", now_ms=EPOCH_MS)
        findings.save(connection, 1, a_finding(id="f1"))
    http = asked(sqlite_engine)
    site.add(http.app)
    http.follow_redirects = False
    return http


def token(http, **more):
    return re.search(r'name="token" value="([^"]+)"', http.get("/changes/new", **more).text)[1]


def send(http, act, **fields):
    return http.post(f"/findings/f1/{act}", data={"token": token(http), **fields})


def told(http):
    return http.get("/v1/findings/f1").json()


def partial(http, engine, headers=None):
    """The forms as the page of the finding includes them, for somebody who shows these headers."""
    from starlette.requests import Request

    from service.pages.rendering import _templates

    shown = [(name.encode(), value.encode()) for name, value in (headers or {}).items()]
    scope = {"type": "http", "method": "GET", "path": "/", "query_string": b"", "scheme": "http"}
    request = Request(
        {**scope, "headers": [(b"host", b"127.0.0.1"), *shown], "client": ("127.0.0.1", 1), "app": http.app}
    )
    viewer = viewer_of(request, http.app.state.services)
    with database.reading(engine) as connection:
        kept = findings.one(connection, "f1")
    return _templates().get_template("parts/acts.html").render(finding_id="f1", viewer=viewer, kept=kept)


class TestDo:
    @pytest.mark.parametrize(("act", "state"), [("ack", "ack"), ("close", "closed")])
    def test_puts_it_into_a_state_and_shows_the_finding(self, http, act, state):
        answer = send(http, act, who="R. Olin", note="at it")

        assert (answer.status_code, answer.headers["location"]) == (303, "/findings/f1")
        assert (told(http)["operator_state"], told(http)["operator"]) == (state, "R. Olin")
        assert told(http)["history"][-1]["text"] == "at it"

    def test_shelves_for_4_hours_and_takes_it_off(self, http):
        send(http, "shelve", until="hours", note="a copy runs")
        first = told(http)
        send(http, "unshelve")

        assert first["shelved_until_at"] == "2026-11-25T14:02:00Z"
        assert told(http)["operator_state"] == "none"

    def test_notes_and_judges(self, http):
        for act, more in (("note", {"note": "seen"}), ("wrong", {"cause": "speed-wrong"}), ("right", {})):
            assert send(http, act, **more).status_code == 303

        assert [line["what"] for line in told(http)["history"]] == ["note", "wrong", "right"]

    def test_says_what_is_refused_and_keeps_what_was_typed(self, http):
        answer = send(http, "shelve", until="own", own="2027-11-25T10:00", note="for <good>")

        assert answer.status_code == 409
        assert "within 14 days" in answer.text
        assert "for &lt;good&gt;" in answer.text

    def test_refuses_what_the_state_does_not_allow(self, http):
        assert send(http, "unshelve").status_code == 409

    def test_knows_no_other_act(self, http):
        assert send(http, "forget").status_code == 404

    def test_takes_no_form_without_its_token(self, http):
        assert http.post("/findings/f1/ack", data={"token": "guessed"}).status_code == 403
        assert told(http)["operator_state"] == "none"

    def test_takes_no_form_of_another_site(self, http):
        fields = {"token": token(http)}
        answer = http.post("/findings/f1/ack", data=fields, headers={"origin": "https://elsewhere.example"})

        assert answer.status_code == 403

    def test_is_not_for_those_who_only_look(self, http, sqlite_engine):
        key = a_key(sqlite_engine, "view")
        http.get("/changes", headers=key)

        assert http.post("/findings/f1/ack", data={"token": "any"}, headers=key).status_code == 403

    def test_names_the_key_whatever_the_form_says(self, http, sqlite_engine):
        key = a_key(sqlite_engine, "operate", "shift-desk")
        shown = http.get("/changes/new", headers=key)
        sent = re.search(r'name="token" value="([^"]+)"', shown.text)[1]
        http.post("/findings/f1/ack", data={"token": sent, "who": "somebody else"}, headers=key)

        assert told(http)["operator"] == "shift-desk"


class TestShelfEnd:
    """2026-11-25 is a Wednesday (checked against the calendar of the standard library)."""

    @pytest.mark.parametrize(
        ("choice", "own", "expected"),
        [
            ("hours", "", NOW_MS + 4 * HOUR_MS),
            ("tomorrow", "", EPOCH_MS + 22 * HOUR_MS),
            ("monday", "", EPOCH_MS + (4 * 24 + 22) * HOUR_MS),
            ("own", "2026-11-25T11:00", EPOCH_MS + HOUR_MS),
            ("own", "2026-11-25T12:00:00+01:00", EPOCH_MS + HOUR_MS),
        ],
    )
    def test_is_when_the_choice_says(self, choice, own, expected):
        assert acts.shelf_end(choice, own, NOW_MS) == expected

    def test_refuses_what_is_no_time(self):
        with pytest.raises(WrongQuestion):
            acts.shelf_end("own", "", NOW_MS)


class TestForms:
    def test_offer_each_cause(self, http, sqlite_engine):
        shown = partial(http, sqlite_engine)

        assert tuple(re.findall(r'<option value="([a-z-]+)">', shown))[4:] == judgements.CAUSES

    def test_ask_for_a_name_only_where_no_key_tells_it(self, http, sqlite_engine):
        assert 'name="who"' in partial(http, sqlite_engine)
        assert 'name="who"' not in partial(http, sqlite_engine, a_key(sqlite_engine, "operate"))

    def test_show_those_who_only_look_who_could(self, http, sqlite_engine):
        shown = partial(http, sqlite_engine, a_key(sqlite_engine, "view"))

        assert "<form" not in shown
        assert "role operate or admin" in shown
